"""What if I move this? The page on which somebody moves what stands on the machine, and sees what that does.

What is done on the page goes in, figures and verdicts go out:

    server   who may ask: this computer, by the token in the address, from this page alone
    desk     one thing that is done on the page -> a session -> what all pages that are open are to show
    model    a session as messages: items, paths, rows, changes;  shapes  what an item looks like
    judge    the judged answer, from a process of its own; only the newest is waited for

Words: *measured* is what the session says while something moves, *judged* what the whole check says of the
place at which it rests. A message carries the number ``n`` of the place that it is about.
"""

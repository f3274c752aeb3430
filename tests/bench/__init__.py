"""How fast the whole program is, measured as a user meets it: whole processes, from the command to its end.

    python -m tests.bench            everything (some minutes)
    python -m tests.bench big usual  some of it

It prints medians of several runs and ratios within one run. It is no test: nothing fails.
"""

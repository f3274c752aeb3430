"""Reading cut paths into moves.

Glossary
    move       one straight line or one arc of the wire, in the horizontal plane of the program's frame C.
    rapid      a move made without cutting (G00).
    run        cutting moves that follow each other without a rapid between them.
    thread point  where the wire is threaded: the start of a run when the wire is not in.
"""

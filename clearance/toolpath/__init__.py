"""Reading cut paths into moves.

Glossary
    move       one straight line or one arc of the wire, in the horizontal plane of the program's frame C.
    rapid      a move made without cutting (G00).
    run        cutting moves that follow each other without a rapid between them.
    thread point  where the wire is threaded: the start of a run when the wire is not in.
    block      one line of an NC program: its words, each a letter and a number.
    row        what one block moves, before the wire offset.
    piece, chain, contour, lead  of a drawing: see ``pieces`` and ``chains``.
    u, v       how far the point in the plane of U V lies beside the point in the plane of X Y.

The way through: ``read`` tells what a file is, and reads tables; ``nc`` reads programs (``words``,
``reader``, ``rows``, ``arcs``, ``program``), ``compensation`` their offset, ``dxf`` drawings (``child``,
``chains``, ``contours``); ``moves`` says where the wire is in; ``taper`` makes the guides' paths of moves
with u and v.
"""

"""Raise windows, placement, cures, keep-out zones: from what is wrong to what to do.

Glossary
    raise      a vertical shift of the part zero with all that is packed up; what stands does not move.
    lift       by how much a body rises against one head: the raise, nothing, or less where the head follows.
    window     an open interval of raises at which nothing meets; a hit is a raise at which something does.
    cure       one change that makes an item clear and nothing else worse, tried by a check.
    placement  a box of shifts of part and path together, each of them clear.
    zone       in plan, where nothing may reach a height.
"""

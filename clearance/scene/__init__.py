"""What the user writes, and the scene that is made of it.

Glossary
    setup      the TOML file: machine, heads, margins, items, cuts.
    item       anything put on the table: a part, a library holder, a model, a plain shape.
    seat       a named frame on an item on which others stand.
    fit        a holder's sizes taken from the part that it holds.
    together   the items that are there at one time: those of one cut.
    scene      everything in machine coordinates, mm, ready to be judged.
"""

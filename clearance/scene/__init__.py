"""What the user writes, and the scene that is made of it.

Glossary
    setup      the TOML file: machine, heads, margins, items, cuts.
    item       anything put on the table: a part, a library holder, a model, a plain shape.
    seat       a named frame on an item on which others stand.
    fit        a holder's sizes taken from the part that it holds.
    head       a rigid body that slides horizontally and stays upright: a body of revolution about the
               wire, and boxes that go along.
    profile    (distance behind the face, radius) of the body of revolution.
    piece      a convex part of a head: a rectangle (a point, for the body of revolution) grown by a disc
               whose radius is a concave function of the height.
    together   the items that are there at one time: those of one cut.
    scene      everything in machine coordinates, mm, ready to be judged.
"""

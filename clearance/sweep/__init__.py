"""Heads, and the envelope that a head draws along moves.

Glossary
    head       a rigid body that slides horizontally and stays upright: a body of revolution about the
               wire, and boxes that go along.
    profile    (distance behind the face, radius) of the body of revolution.
    piece      a convex part of a head: a rectangle (a point, for the body of revolution) grown by a disc
               whose radius is a concave function of the height.
    envelope   all points that a head covers while it follows the moves.
"""

"""The sweep seen along the wire: profiles in the meridian plane, in numpy.

Glossary
    measure    clearance, side or height, as a function of (horizontal distance g, height z).
    strip      half of a triangle, cut at its middle height; its slices are parallel segments.
    key        a body, or a move: what one figure is wanted for.
"""

"""Threading, travel, mass and balance, the slug: what else stops a cut.

Glossary
    run          a stretch of moves on which the wire is in, from where it is threaded to where it is cut.
    slice        a body's cut at one height, horizontal; its closed curves are rings.
    outline      of a part: all its slices laid over each other, as seen along the wire.
    kerf         what the wire takes out of the metal; here as wide as the wire.
    piece        what a run parts from the rest: a slug, an off-cut, or the good part itself.
    room         how far the wire's surface is from metal where it is threaded, sideways.

Severity: "close" must be looked at before release, "note" is what a setter should know. None of this is a
clash: a clash is bodies that touch.
"""

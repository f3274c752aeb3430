"""Reading models, judging whether they can be trusted, mass.

Glossary
    solid      a bag of triangles in mm, in the model's own frame, with what was found wrong with it.
    shell      a maximal set of triangles that hang together by shared vertices.
    closed     every edge belongs to an even number of facets, so inside is a fact (``trust.py``).
    facet      a triangle of a surface; its normal and the order of its corners are trusted by nobody.
    body       a part of a model file that has a name there; all, or those named, make one solid.
    carries    a format carries its unit (3MF, STEP) or leaves it to the setup (STL, OBJ, PLY).
    facet error  how far the triangles may lie from the surface that was meant; counts as allow.
"""

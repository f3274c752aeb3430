"""Reading models, judging whether they can be trusted, mass.

Glossary
    solid      a bag of triangles in mm, in the model's own frame, with what was found wrong with it.
    shell      a maximal set of triangles that hang together by shared vertices.
    closed     every edge is used as often in one direction as in the other, so inside is a fact.
    facet error  how far the triangles may lie from the surface that was meant; counts as allow.
"""

"""The sweep as a mesh that encloses it, and FCL's distance from it.

Glossary
    envelope       the mesh: nowhere inside the sweep, and outside it by a known amount at most.
    neighbourhood  what of a body FCL has to see, chosen by plain boxes; the rest is no nearer than its floor.
"""

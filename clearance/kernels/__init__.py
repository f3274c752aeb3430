"""Distances between what heads sweep and bodies, two ways that share no code, and what is swallowed.

Glossary
    sweep      all points that a head covers while it follows moves: the Minkowski sum of path and head.
    meridian   the half plane of (horizontal distance from the path, height): a head's profile lies in it.
    fcl        the sweep as a mesh, held against the bodies' meshes by the FCL library.
    chord      a straight bit of a path; an arc is many, and says how far it lies from them.
"""

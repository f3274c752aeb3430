"""The 3D scene, pictures, the window. The only room that imports pyvista.

Glossary
    description  the picture as plain numbers and words: what is drawn where (description.py, drawing.py).
    shape        a body to draw, with its role: part, holder, laid, machine, a head, an envelope.
    place        a small clearance: its two points, its figure, what to say beside it.
    panel        one view on the sheet: the overview, or a section through the worst place.
    cut          the plane of a section; what stands before it is taken away, what it runs through is hatched.
    ghost, veil  see-through: machine bodies and the other head; what the heads sweep.
    through      what is drawn faintly although something hides it.
    child        the process that draws (render.py, window_child.py): it may die of a missing OpenGL.
"""

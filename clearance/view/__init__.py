"""The 3D scene, pictures, the window. The only room that imports pyvista."""

"""Frames, flat shapes, intervals: geometry with no idea of machines.

Glossary
    frame      a right-handed Cartesian frame, named by one letter (M machine, S seat, H holder,
               P part, C a cut's program). ``T_MP`` takes P coordinates to M coordinates.
    turn       three angles in degrees about the fixed X, then Y, then Z axis.
    flat       seen along the wire: horizontal, two coordinates.
"""

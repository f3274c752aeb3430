"""Measuring a part where it is clamped: where to touch it, and what to do about how it lies.

Glossary
    level, side, end   the face that is levelled, the one along which the part is squared, the one across.
    correction         what to turn at a holder so that the part lies as planned; the rest goes into the zero.
    zero table         X Y Z and turn of each program as the control wants them, from the measured part.
"""

"""A part and a path go in, a first setup file for them, guessed and commented, comes out.

Glossary
    stance   how the part stands: turned so that one of its faces, or a bar's side, is down.
    laid     the path as it lies on the part: which point of the part is its zero.
    coverage the share of what is cut that lies over the part's outline box.
    walls    the part's, seen along the direction in which it stands; a path may run beside them.
    pose     how a path's contours come onto these walls: a turn, a shift, one distance beside them.
    carrier  the holders that the part stands in, and where it stands in them.

The way through: ``stance`` lists the stances; ``walls`` reads contours of part and path, ``fit`` lays one
on the other, for each unit and stance; ``choice`` takes what fits, else what covers the
part best; ``carrier`` finds holders; ``first`` writes it down.
"""

"""A part and a path go in, a first setup file for them, guessed and commented, comes out.

Glossary
    stance   how the part stands: turned so that one of its faces, or a bar's side, is down.
    laid     the path as it lies on the part: which point of the part is its zero.
    coverage the share of what is cut that lies over the part's outline box.
    carrier  the holders that the part stands in, and where it stands in them.

The way through: ``sizes`` says what a model and a path look like in each unit; ``stance`` lists the stances;
``choice`` picks unit, stance and zero that go together; ``carrier`` finds holders; ``draft`` writes it down.
"""

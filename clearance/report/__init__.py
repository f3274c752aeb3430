"""What the user is told: the terminal's text, the JSON report, progress.

Words of this room: a *report* is the judge's result as plain data (the contract's keys); *rounded down* means
that no figure on the terminal reads larger than it is, a negative spare towards less; a file is *whole*
when it is either complete or not there.
"""

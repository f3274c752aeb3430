"""A night at the machine with nobody there: until when does it run alone, and what does it wait for then?

Glossary
    alone        the machine runs and nobody is there.
    hold         a place in a job at which somebody has to be there: a stop, a piece that falls, a new spool.
    watched      a job that nobody may leave alone at all: it is not clear, say, or not what was approved.
    presence     when somebody is there.
    span         three figures of one thing: least, likely, most. All times are estimates.
    table        what several jobs stand on at the same time; a job without one has a pallet of its own.

Whatever is not known to be right ends running alone, with its reason.
"""

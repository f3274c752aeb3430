"""Many setups go in; which of their verdicts would change comes out, what is lost most first.

Words of this room
    archive      the setups of a shop, released ones among them, with the approval records beside them.
    question     one setup to be judged: as its files are, or with what is asked for otherwise.
    otherwise    another machine, other nozzles, other margins than the setups say.
    answer       what a worker made of a question: verdict, least to spare, and every file that went in; or
                 why there is none.
    worker       a fresh process that judges one setup after another, within limits.
    kept         an answer of an earlier run, which counts as long as all that went into it is the same.
    row          a setup's verdict before and after, and what is lost.
"""

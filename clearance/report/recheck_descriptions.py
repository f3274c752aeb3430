"""What each key of the report of ``recheck`` means; ``descriptions`` has those of the others."""

from __future__ import annotations

from typing import Final

RECHECK: Final = {
    "schema": "1",
    "counts": "how many setups there are of each kind",
    "counts.setups": "all of them",
    "counts.worse": "whose verdict is graver than before",
    "counts.not_judged": "that could not be judged",
    "counts.same": "whose verdict is the same",
    "counts.new": "that have nothing to be compared with",
    "counts.better": "whose verdict is less grave",
    "counts.less_to_spare": "with the same verdict and less to spare",
    "counts.changed_after_approval": "with a file that is not what was approved",
    "counts.not_clear": "whose verdict is not clear, and known",
    "otherwise": "what was asked for otherwise than the setups say",
    "otherwise.machine": "the machine file, or null",
    "otherwise.nozzles": "the set of nozzles, or null",
    "otherwise.margins": "the file of margins, or null",
    "rows": "a row for each setup, what is lost most first",
    "rows[].setup": "its file",
    "rows[].title": "its title",
    "rows[].change": '"worse", "not judged", "same", "new" or "better"',
    "rows[].verdict": "the verdict now; null where it could not be judged",
    "rows[].before": "the verdict before; null where none is known",
    "rows[].since": 'where that is from: "approval", "files" (as they are), "last" (the last whole run), ""',
    "rows[].spare": "the least to spare now, or null",
    "rows[].spare_before": "the least to spare before, or null",
    "rows[].why": "where the verdict comes from, or why there is none, and what else is to be said",
    "rows[].changed": "files that are not what was approved",
    "rows[].least": "where there is least to spare: head, item, cut, move, line, n; or null",
}

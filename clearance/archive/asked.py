"""What somebody asks of an archive, in plain values, goes in; the rows come out."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence

from clearance.archive.cache import Cache
from clearance.archive.question import Otherwise
from clearance.archive.recheck import Progress, Source, recheck
from clearance.archive.rows import Rechecked
from clearance.archive.runner import MEMORY, SECONDS, Runner


def asked(
    places: Sequence[str],
    otherwise: Otherwise,
    *,
    fresh: bool = False,
    scheduler: str | None = None,
    workers: int | None = None,
    seconds: float | None = None,
    memory: float | None = None,
    progress: Progress | None = None,
    say: Callable[[str], None] = lambda _: None,
    source: Source | None = None,
) -> Iterator[Rechecked]:
    """A row for each setup, as it is ready.

    Args:
        places: folders and setup files.   otherwise: than the setups say; its files as the user names them.
        fresh: kept answers are passed by.   scheduler: the address of a Dask scheduler; None: this computer.
        workers: how many; None: one for each core.
        seconds, memory: what one setup may take, of the clock and GB; None: ``runner.SECONDS``, ``MEMORY``.
        progress: see ``recheck``.   say: is told what is wrong with the kept answers.
        source: who answers instead.

    Raises:
        InputError: see ``recheck``.
        CannotStart: no process for judging can be started; or the scheduler is not to be had.
    """
    bound = MEMORY if memory is None else int(memory * 1e9)
    clock = SECONDS if seconds is None else seconds
    whole = Otherwise(_whole(otherwise.machine), otherwise.nozzles, _whole(otherwise.margins))
    if source is None:
        if scheduler is None:
            source = Runner(workers, clock, bound)
        else:
            from clearance.archive.cluster import Cluster

            source = Cluster(scheduler, clock, bound)
    return recheck(places, whole, source, lambda: Cache(passed_by=fresh, say=say), progress)


def _whole(path: str | None) -> str | None:
    return None if path is None else os.path.abspath(path)

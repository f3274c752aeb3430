"""Jobs on one table go in; what they do to each other beside their heads' distances comes out.

That is what is too heavy for what carries several of them, what a head meets of the others on its way up to
thread, and what lies loose as the heads go on to another job.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from clearance.process.bolted import Fixings
from clearance.process.findings import Checked
from clearance.process.holding import ContactCache
from clearance.process.loads import load_remarks
from clearance.process.part_state import sentence
from clearance.process.statics import Resultant
from clearance.process.support import Contacts
from clearance.process.threading_findings import thread_height_findings
from clearance.scene.placing import Masses
from clearance.scene.shared_table import SharedTable


def too_heavy(table: SharedTable, results: Mapping[str, Checked]) -> dict[str, list[str]]:
    """For each job what takes more than it may with all that stands on the table, in words.

    Args:
        table: all jobs.   results: of each, judged by itself.
    """
    bodies = table.scene.bodies
    most: dict[tuple[int, int], Resultant] = {}
    cut: set[int] = set()
    for job, result in results.items():
        at = {body.name: table.index[job][k] for k, body in enumerate(result.scene.bodies)}
        for part, name, load in () if result.account is None else result.account.puts:
            cut.add(at[part])
            known = most.get((at[part], at[name]))
            if bodies[at[name]].kind != "part" and (known is None or known.down < load.down):
                most[at[part], at[name]] = load
    present = sorted({k for stretch in table.scene.stretches for k in stretch.bodies})
    first: dict[int, list[Resultant]] = {k: [] for k in present if bodies[k].kind == "part" and k not in cut}
    for (_, k), load in most.items():
        first.setdefault(k, []).append(load)
    contact = ContactCache(bodies, Contacts(bodies), table.scene.packed)
    masses = Masses([b for b in bodies if b.item is not None])
    remarks, _ = load_remarks(contact, present, first, masses, Fixings(contact, masses))
    shared = [one for one in remarks if len(table.of_item.get(one.item or "", ())) > 1]
    return {
        job: [sentence(one.item, one.message) for one in shared if job in table.of_item[one.item or ""]]
        for job in table.jobs
    }


def up_to_thread(table: SharedTable, results: Mapping[str, Checked]) -> dict[str, list[tuple[str, str]]]:
    """For each job what its upper head meets of the others' on its way up to thread: verdict and words.

    Args:
        table: all jobs.   results: of each, judged by itself.
    """
    found: dict[str, list[tuple[str, str]]] = {}
    for job, result in results.items():
        names = {name for name, (of, _) in table.of_stretch.items() if of == job}
        mine = tuple(stretch for stretch in table.scene.stretches if stretch.name in names)
        alone = replace(table.scene, stretches=mine, heads=result.scene.heads)
        found[job] = [
            (one.severity, f'"{one.item}": {one.message}')
            for one in thread_height_findings(alone)
            if one.item is not None and job not in table.of_item.get(one.item, (job,))
        ]
    return found


def left_loose(result: Checked) -> str:
    """What a job leaves loose in its opening, and what is to be done, in words; "" where it leaves nothing.

    Args:
        result: of the job.
    """
    if result.account is None or not result.account.loose:
        return ""
    names = " and ".join(f"the {name}" for name in result.account.loose)
    lies = "lies" if len(result.account.loose) == 1 else "lie"
    return f"{names} {lies} loose on the lower head, which goes away from under it: leave a tab, or hold it"

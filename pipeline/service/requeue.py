"""Working a finished job again from its kept captures."""

from __future__ import annotations

from pipeline.document import nearest
from pipeline.errors import UsageError
from pipeline.service.journal import Journal, Overtaken, State
from pipeline.service.notes import remove_known
from pipeline.service.routing import choose_recipe
from pipeline.site import Site


def requeue(site: Site, journal: Journal, job: str, recipe: str | None) -> None:
    """Put a job back into the queue, whoever serves the site. Its result stays until the new one is there.

    Raises
    ------
    UsageError
        When there is no such finished job, its captures are gone, or it is being worked.
    """
    entry = journal.get(job)
    if entry is None:
        known = [entry.job for entry in journal.by_state(*State)]
        raise UsageError(f"There is no job {job!r}.{nearest(job, known)}", f"See: nightmill status {site.root}")
    if entry.state not in (State.DONE, State.KNOWN):
        raise UsageError(f"{job} is {entry.state}: it has no result yet.", "Wait until it is finished.")
    if not (site.raw / job).is_dir():
        raise UsageError(f"The captures of {job} are no longer in {site.raw}.", "Drop them into the inbox again.")
    if recipe is not None:
        choose_recipe(site, job, recipe)
    remove_known(site, entry.source)
    try:
        journal.move(
            entry, State.CLAIMED, forced=1, attempts=0, interruptions=0, content=None, identity=None, same_as=None
        )
    except Overtaken as late:
        raise UsageError(f"{job} was just moved on by the service.", "Look at its status, then try again.") from late

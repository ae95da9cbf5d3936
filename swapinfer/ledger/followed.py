"""What a run means beside an earlier one: whether the fault followed the part."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from collections.abc import Set as AbstractSet

from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Finding, Job
from swapinfer.ledger.runs import misfiring, names_none, speaks_of
from swapinfer.ledger.words import element_label, where_words


def explain_run(job: Job, finding: Finding) -> list[str]:
    """Say what a run means beside the last one in another arrangement.

    Parameters
    ----------
    job : Job
        After the run.
    finding : Finding
        The run.

    Returns
    -------
    list of str
        Sentences.
    """
    run = finding.event
    if not isinstance(run, ev.Ran):
        return []
    now = misfiring(job, run)
    if now is None and run.suspected:
        heard = " and ".join(map(str, sorted(run.suspected)))
        return [f"the ear suspects cylinder {heard}; codes or counters would say which it is"]
    if now is None:
        return ["a misfire was noticed, but nothing says in which cylinder"]
    sentences = [_state(job, run, now)]
    earlier = _last_misfire_elsewhere(job, finding)
    if earlier is not None:
        sentences += _followed(job, earlier, finding, now)
    return sentences


def _state(job: Job, run: ev.Ran, now: frozenset[int]) -> str:
    quiet = speaks_of(job, run) - now
    unread = set(job.engine.layout.cylinders) - quiet - now
    if not unread and not now:
        return "no cylinder misfired in this run"
    if not unread:
        return f"{_cylinders(now)} misfired, the others were quiet"
    said = f"{_cylinders(now)} misfired" if now else f"{_cylinders(quiet)} did not misfire"
    if names_none(job, run):
        return f"{said}; the code names no cylinder, so it speaks of the others"
    return f"{said}; nothing was read of {_cylinders(unread)}"


def _cylinders(numbers: Iterable[int]) -> str:
    listed = [str(number) for number in sorted(numbers)]
    if len(listed) == 1:
        return f"cylinder {listed[0]}"
    return f"cylinders {', '.join(listed[:-1])} and {listed[-1]}"


def _last_misfire_elsewhere(job: Job, finding: Finding) -> Finding | None:
    for other in reversed(job.findings):
        if other.time >= finding.time or not isinstance(other.event, ev.Ran):
            continue
        if set(other.fitted.values()) != set(finding.fitted.values()):
            return None  # something was replaced: a quiet cylinder then has another reason
        if other.fitted != finding.fitted:
            return other if misfiring(job, other.event) else None
    return None


def _followed(job: Job, earlier: Finding, finding: Finding, now: frozenset[int]) -> list[str]:
    if not isinstance(earlier.event, ev.Ran):
        return []
    moved = list(_moved_away(job, earlier, finding, misfiring(job, earlier.event) or frozenset()))
    explained = {origin for _, origin, here in moved if set(here.cylinders) & now}
    return [
        _verdict(
            element_label(job, element),
            (where_words(origin), where_words(here)),
            came=bool(set(here.cylinders) & now),
            stayed=bool(set(origin.cylinders) & now),
            elsewhere=any(set(origin.cylinders) & set(other.cylinders) for other in explained),
        )
        for element, origin, here in moved
    ]


def _moved_away(
    job: Job, earlier: Finding, finding: Finding, before: AbstractSet[int]
) -> Iterator[tuple[str, Place, Place]]:
    """Parts that were moved from a cylinder that misfired to one that did not."""
    was_at = {element: place for place, element in earlier.fitted.items()}
    known = _known(job, earlier) & _known(job, finding)
    for place, element in finding.fitted.items():
        if was_at.get(element, place) != place:
            origin, here = job.engine.places[was_at[element]], job.engine.places[place]
            if not {*origin.cylinders, *here.cylinders} <= known:
                continue
            if set(origin.cylinders) & before and not set(here.cylinders) & before:
                yield element, origin, here


def _known(job: Job, finding: Finding) -> frozenset[int]:
    return speaks_of(job, finding.event) if isinstance(finding.event, ev.Ran) else frozenset()


def carried(job: Job) -> frozenset[str]:
    """Parts that a misfire went along with when they were moved, each alone to its cylinders.

    Parameters
    ----------
    job : Job
        As it stands.

    Returns
    -------
    frozenset of str
        Elements that are still fitted; of each the latest comparison counts.
    """
    went: dict[str, bool] = {}
    for finding in job.findings:
        now = misfiring(job, finding.event) if isinstance(finding.event, ev.Ran) else None
        earlier = _last_misfire_elsewhere(job, finding) if now else None
        if not now or earlier is None or not isinstance(earlier.event, ev.Ran):
            continue
        moved = list(_moved_away(job, earlier, finding, misfiring(job, earlier.event) or set()))
        for element, origin, here in moved:
            rivals = [
                o for e, _, o in moved if e != element and set(o.cylinders) & set(here.cylinders)
            ]
            came, stayed = set(here.cylinders) & now, set(origin.cylinders) & now
            went[element] = bool(came) and not stayed and not rivals
    return frozenset(element for element, did in went.items() if did) & set(job.fitted.values())


def _verdict(
    part: str, moved: tuple[str, str], *, came: bool, stayed: bool, elsewhere: bool
) -> str:
    origin, here = moved
    if came and not stayed:
        quiet = f"{origin} {_verb(origin, 'is', 'are')} quiet"
        now = f"{here} now {_verb(here, 'misfires', 'misfire')}"
        return f"{now} and {quiet}: the fault followed the {part}"
    still = f"{origin} still {_verb(origin, 'misfires', 'misfire')}"
    if stayed and not came:
        not_so = f"{here} {_verb(here, 'does', 'do')} not"
        return f"{still} and {not_so}: the fault did not follow the {part}"
    if came and stayed:
        too = f"{here} {_verb(here, 'does', 'do')} too"
        return f"{still} and {too}: more than one thing may be at fault"
    if elsewhere:
        return f"{here} {_verb(here, 'is', 'are')} quiet: the fault did not go with the {part}"
    return (
        f"neither {origin} nor {here} {_verb(here, 'misfires', 'misfire')}: moving the {part} may "
        "have cured a contact, or the fault did not show this time"
    )


def _verb(subject: str, singular: str, plural: str) -> str:
    return plural if subject.startswith("cylinders") else singular

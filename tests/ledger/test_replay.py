"""Replay against an independent simple model, over random sequences of events."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from swapinfer.errors import ConflictError, JobError, PlaceError, SwapinferError
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import last_undoable, refuse_conflict, replay
from swapinfer.pack.load import load_pack

PACK = load_pack()
OPENING = ev.Opened("RO", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
CYLINDERS = st.integers(1, 4)
KINDS = st.sampled_from(["coil", "plug", "injector"])


class Bench(RuleBasedStateMachine):
    """A bay: the model is a list of dictionaries, one a point in time, undone by popping."""

    @initialize()
    def open_job(self) -> None:
        self.events: list[Event] = [OPENING]
        places = [f"{kind}{c}" for kind in ("coil", "plug", "injector") for c in range(1, 5)]
        self.history = [({place: place for place in places}, 0, False)]

    @property
    def now(self) -> tuple[dict[str, str], int, bool]:
        return self.history[-1]

    def record(self, event: Event, after: tuple[dict[str, str], int, bool]) -> None:
        """Record what the model allows, and check that replay refuses what it does not."""
        if self.now[2] and not isinstance(event, ev.Reopened):
            with pytest.raises(JobError):
                replay(enumerate([*self.events, event]), PACK)
            return
        self.events.append(event)
        self.history.append(after)

    @rule(kind=KINDS, a=CYLINDERS, b=CYLINDERS)
    def swap(self, kind: str, a: int, b: int) -> None:
        first, second = f"{kind}{a}", f"{kind}{b}"
        where, found, closed = self.now
        event = ev.Swapped(((first, second),))
        if a == b and not closed:
            with pytest.raises(PlaceError):
                replay(enumerate([*self.events, event]), PACK)
            return
        moved = {**where, first: where[second], second: where[first]}
        self.record(event, (moved, found, closed))

    @rule(kind=KINDS, c=CYLINDERS)
    def replace_part(self, kind: str, c: int) -> None:
        where, found, closed = self.now
        place = f"{kind}{c}"
        standing = self._standing_replacements(place)
        name = f"{place}.new{standing + 1 if standing else ''}"
        self.record(ev.Replaced(place), ({**where, place: name}, found, closed))

    def _standing_replacements(self, place: str) -> int:
        job = replay(enumerate(self.events), PACK)
        return sum(1 for name in job.elements if name.startswith(f"{place}.new"))

    @rule(minutes=st.integers(1, 60))
    def drive(self, minutes: int) -> None:
        where, found, closed = self.now
        self.record(ev.Ran(float(minutes), ("warm",), (), pending=()), (where, found + 1, closed))

    @rule(c=CYLINDERS)
    def look(self, c: int) -> None:
        where, found, closed = self.now
        event = ev.Inspected("plug-look", f"cylinder{c}", "clean")
        self.record(event, (where, found + 1, closed))

    @rule()
    def close(self) -> None:
        where, found, _ = self.now
        self.record(ev.Closed(("coil3",), ("",)), (where, found, True))

    @precondition(lambda self: self.now[2])
    @rule()
    def reopen(self) -> None:
        where, found, _ = self.now
        self.record(ev.Reopened("came back"), (where, found + 1, False))

    @precondition(lambda self: len(self.history) > 1 and not self.now[2])
    @rule()
    def undo(self) -> None:
        self.events.append(ev.Undone(last_undoable(replay(enumerate(self.events), PACK))))
        self.history.pop()

    @invariant()
    def replay_agrees(self) -> None:
        where, found, closed = self.now
        job = replay(enumerate(self.events), PACK)
        assert {place: job.fitted[place] for place in where} == where
        assert len(job.findings) == found
        assert (job.closing is not None) == closed

    @invariant()
    def moves_home_bring_home(self) -> None:
        job = replay(enumerate(self.events), PACK)
        if job.closing is None and job.away_from_home():
            back = replay(enumerate([*self.events, ev.Returned()]), PACK)
            assert back.away_from_home() == []
            assert back.moves_home() == []

    @invariant()
    def events_read_back(self) -> None:
        for event in self.events:
            assert ev.read_event(event.type, event.to_json()) == event


TestBench = Bench.TestCase
TestBench.settings = settings(max_examples=15, stateful_step_count=12, deadline=None)


def test_the_later_of_two_moves_is_refused_with_the_current_place() -> None:
    """Someone moved the coil to cylinder 1 while another technician wanted it on cylinder 2."""
    check = refuse_conflict({"coil3": "coil3", "coil2": "coil2"})
    job = replay(enumerate([OPENING, ev.Swapped((("coil3", "coil1"),))]), PACK)
    with pytest.raises(ConflictError, match="now sits at coil1"):
        check(job)


def test_an_undoing_can_be_undone() -> None:
    events = [OPENING, ev.Swapped((("coil3", "coil1"),)), ev.Undone(1), ev.Undone(2)]
    job = replay(enumerate(events), PACK)
    assert job.fitted["coil1"] == "coil3"
    assert job.undone == {2}


def test_undoing_what_later_events_stand_on_is_refused() -> None:
    closed = [OPENING, ev.Closed(), ev.Reopened(), ev.Ran(5, (), (), pending=())]
    with pytest.raises(SwapinferError):
        replay(enumerate([*closed, ev.Undone(1)]), PACK)


def test_reseating_a_connector_disturbs_it() -> None:
    """A contact that the first disturbance cures must be cured by reseating it itself."""
    job = replay(enumerate([OPENING, ev.Reseated("coil-wiring3")]), PACK)
    assert "coil-wiring3" in {one.element for one in job.disturbances}


@pytest.mark.parametrize(
    ("ignition", "event", "wiring"),
    [
        ("coil-on-plug", ev.Inspected("coil-connector-look", "cylinder3", "sound"), "coil-wiring3"),
        ("waste-spark", ev.Inspected("coil-connector-look", "cylinder3", "sound"), "2+3"),
        ("waste-spark", ev.Measured("coil-supply", "cylinder1", 12.4, reference=12.5), "1+4"),
        ("waste-spark", ev.Inspected("coil-pack-look", "coil-pack1+4", "sound"), "1+4"),
    ],
)
def test_a_test_disturbs_the_connector_that_it_unplugs(
    ignition: str, event: Event, wiring: str
) -> None:
    """A coil pack serves two cylinders: a look at one of them unplugs the connector of both."""
    opening = ev.Opened("RO", "inline-4", {"ignition": ignition, "fuel": "port"})
    job = replay(enumerate([opening, event]), PACK)
    disturbed = {d.element for d in job.disturbances if d.element.startswith("coil")}
    name = wiring if wiring.startswith("coil") else f"coil-pack-wiring{wiring}"
    assert disturbed == {name}

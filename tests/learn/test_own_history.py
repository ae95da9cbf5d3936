"""A shop's own store as a history: the same numbers come back, nobody's name does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from lab.reliability import wander
from msgspec.structs import replace

from swapinfer.commands.comparing import drawn_vehicles, past_vehicles, work_again
from swapinfer.commands.learning import learn_priors, own_history, pack_to_learn_on
from swapinfer.commands.shop import Shop
from swapinfer.commands.store import export_tables
from swapinfer.commands.visits import list_visits, weigh_causes, weigh_visits
from swapinfer.errors import LearnError
from swapinfer.learn.counts import Counts, History, count_history
from swapinfer.learn.prior import shares_of, vocabulary
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import replay
from swapinfer.ledger.store import Store
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.simulate.play import Planner, play
from swapinfer.simulate.world import World, draw_job

FITMENT = {"ignition": "coil-on-plug", "fuel": "port"}
Write = Callable[..., str]


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    Store.open(tmp_path / "jobs.db").close()
    with Shop(str(tmp_path / "jobs.db"), "Technician Sentinel") as opened:
        yield opened


@pytest.fixture
def write(shop: Shop) -> Write:
    """Record events as a job, each at a day of March 2026."""

    def record(events: Sequence[Event], days: Sequence[int] = ()) -> str:
        shop.keep_pack(shop.pack)
        first, digest, job = events[0], shop.pack.digest, ""
        assert isinstance(first, ev.Opened)
        for number, event in enumerate(events):
            day = days[number] if days else 1
            said = {"who": shop.who, "at": f"2026-03-{day:02}T08:00:00+01:00", "pack": digest}
            if number == 0:
                job = shop.store.create_job(first.ro, event.to_json(), **said).job
            else:
                shop.store.append(job, (event.type, event.to_json()), **said)
        return job

    return record


def read_back(shop: Shop, folder: Path) -> Counts:
    export_tables(shop, folder / "jobs.csv", folder / "findings.csv")
    history = History(folder / "jobs.csv", folder / "findings.csv")
    return count_history(history, vocabulary(shop.pack), refused_to=folder / "refused.csv")


def true_cause(world: World) -> tuple[str, str]:
    element, state = next(iter(world.faults.items()))
    assert state.mode is not None
    return element, state.mode.id


def without_tables(shop: Shop, pack: Pack) -> Counts:
    return count_history(own_history(shop, pack), vocabulary(pack))


def named(counts: Counts, cases: Counter[tuple[int, int]]) -> Counter[str]:
    out: Counter[str] = Counter()
    for (_, cause), count in cases.items():
        out[counts.words.causes[cause]] += count
    return out


def test_own_jobs_read_back_to_the_same_numbers(
    shop: Shop, write: Write, pack: Pack, tmp_path: Path
) -> None:
    """Counted here event by event, and there through both tables."""
    causes: Counter[str] = Counter()
    findings = bands = 0
    for number in range(24):
        world = draw_job(pack, "inline-4", FITMENT, np.random.default_rng([7, number]))
        element, mode = true_cause(world)
        wander(world, 4)
        tests = [e for e in world.events if isinstance(e, (ev.Measured, ev.Inspected))]
        kind = world.job.elements[element].home.kind
        if pack.kinds[kind].modes[mode].misfire == 0:
            continue
        causes[f"{kind}.{mode}"] += 1
        findings += len(tests)
        bands += sum(isinstance(event, ev.Measured) for event in tests)
        opening = ev.Opened(f"RO-{number}", "inline-4", FITMENT, family="Van 16", odometer_km=9e4)
        write([opening, *world.events[1:], ev.Closed((element,), (mode,), verified=True)])
    counts = read_back(shop, tmp_path)
    straight = without_tables(shop, pack)
    assert replace(straight, rows=counts.rows) == counts
    assert bands > 3
    assert counts.rows.rows_refused == 0
    assert named(counts, counts.cases.stayed) == causes
    assert counts.sightings.total() == counts.rows.findings_used == findings
    assert {cell[:5] for cell in counts.cells} == {
        ("inline-4", "coil-on-plug", "port", "van-16", "60-120")
    }


def test_a_finding_is_about_the_cause_wherever_the_part_sat(
    shop: Shop, write: Write, tmp_path: Path
) -> None:
    write(
        [
            ev.Opened("RO-1", "inline-4", FITMENT),
            ev.Ran(10.0, codes=("P0303",)),
            ev.Inspected("coil-look", "coil3", "sound"),
            ev.Swapped((("coil3", "coil1"),)),
            ev.Inspected("coil-look", "coil1", "crack"),
            ev.Inspected("coil-look", "coil3", "sound"),
            ev.Closed(("coil3",), ("cracked",), verified=True),
        ]
    )
    counts = read_back(shop, tmp_path)
    shown = [f"coil-look={name}" for name in counts.words.outcomes["coil-look"]]
    start = list(counts.words.outcomes).index("coil-look")
    offset = sum(len(names) for names in list(counts.words.outcomes.values())[:start])
    seen = {(shown[at - offset], here): n for (_, at, here), n in counts.sightings.items()}
    assert seen == {
        ("coil-look=sound", True): 1,
        ("coil-look=crack", True): 1,
        ("coil-look=sound", False): 1,
    }


def test_comebacks_are_linked(shop: Shop, write: Write, tmp_path: Path) -> None:
    """A reopened job; the same vehicle within a month; not one after two, nor another vehicle."""
    opened = ev.Opened("RO-1", "inline-4", FITMENT, vin="vehicle one")
    coil = ev.Closed(("coil3",), ("hot",), verified=True)
    plug = ev.Closed(("plug3",), ("worn",), verified=True)
    first = write([opened, coil, ev.Reopened(), plug], [1, 2, 3, 4])
    second = write([ev.Opened("RO-2", "inline-4", FITMENT, vin="VEHICLEONE"), coil], [20, 20])
    other = write([ev.Opened("RO-3", "inline-4", FITMENT, vin="vehicle two"), coil], [21, 21])
    visits = list_visits(shop)
    assert {visit.name: visit.comeback_of for visit in visits} == {
        first: "",
        f"{first}-2": first,
        second: f"{first}-2",
        other: "",
    }
    counts = read_back(shop, tmp_path)
    chains = {
        (counts.words.causes[a], counts.words.causes[b]): n
        for (_, a, b), n in counts.cases.chains.items()
    }
    assert chains == {("coil.hot", "coil.hot"): 1}
    assert named(counts, counts.cases.stayed) == {"coil.hot": 1}


def test_how_soon_is_a_comeback_is_for_the_pack_to_say(
    shop: Shop, write: Write, tmp_path: Path
) -> None:
    text = """format = 1
name = "ours"
version = "1"
from = "us"
[source.us]
grade = "chosen"
text = "our own guarantee"
[custom]
comeback_days = 10
"""
    (tmp_path / "ours.toml").write_text(text, encoding="utf-8")
    coil = ev.Closed(("coil3",), ("hot",), verified=True)
    for number, day in enumerate((1, 11, 22)):
        opened = ev.Opened(f"RO-{number}", "inline-4", FITMENT, vin="one")
        write([opened, coil], [day, day])
    assert [bool(visit.comeback_of) for visit in list_visits(shop)] == [False, True, True]
    strict = Shop(shop.store_place, shop.who, overlays=[tmp_path / "ours.toml"])
    with strict:
        assert [bool(one.comeback_of) for one in list_visits(strict)] == [False, True, False]


def test_open_jobs_are_no_history_but_an_open_comeback_is(shop: Shop, write: Write) -> None:
    write([ev.Opened("RO-1", "inline-4", FITMENT)])
    coil = ev.Closed(("coil3",), ("hot",), verified=True)
    back = write([ev.Opened("RO-2", "inline-4", FITMENT), coil, ev.Reopened()])
    assert [visit.name for visit in list_visits(shop)] == [back, f"{back}-2"]


def test_the_tables_hold_nothing_personal(shop: Shop, write: Write, tmp_path: Path) -> None:
    """Everything that is typed freely stays behind; a family becomes one word."""
    write(
        [
            ev.Opened(
                "RO-sentinel",
                "inline-4",
                FITMENT,
                complaint="sentinel complains",
                vin="SENTINELVIN",
                family="Van, 16 (blue)",
                customer="Sentinel",
            ),
            ev.Noted("sentinel note"),
            ev.Attached("sentinel.png", "0" * 64, "image/png", "c2VudGluZWw="),
            ev.Inspected("coil-look", "coil3", "sound"),
            ev.Measured("coil-primary", "coil3", 0.8, typed="0.8 sentinel"),
            ev.Closed(("coil3",), ("hot",), verified=True, remark="sentinel remark"),
            ev.Reopened("sentinel reason"),
        ]
    )
    counts = read_back(shop, tmp_path)
    assert counts.rows.rows_refused == 0
    assert {cell.family for cell in counts.cells} == {"van-16-blue"}
    for name in ("jobs.csv", "findings.csv"):
        text = (tmp_path / name).read_text(encoding="utf-8").lower()
        assert "sentinel" not in text
        assert "c2vud" not in text


def test_likelihoods_of_an_own_job_are_those_of_bayes_rule(pack: Pack) -> None:
    """One look at one of four coils, worked out by hand; other faults at once are rare."""
    opening = ev.Opened("RO-1", "inline-4", FITMENT)
    job = replay(enumerate([opening, ev.Inspected("coil-look", "coil3", "crack")]), pack)
    causes = ("coil.cracked", "plug.worn", "coil-pack.hot")
    cracked, worn, absent = weigh_causes(job, causes)
    test = pack.tests["coil-look"]
    good, bad = (shares_of(test, profile)["crack"] for profile in ("good", "cracked"))
    shows = 1 - test.miss["hard"]
    looked_at = shows * bad + (1 - shows) * good
    expected = np.log((looked_at + 3 * good) / (4 * good))
    assert cracked - worn == pytest.approx(expected, abs=0.3)
    assert absent == min(cracked, worn)


def test_an_element_without_its_mode_rules_the_others_out(
    shop: Shop, write: Write, pack: Pack, tmp_path: Path
) -> None:
    opening = ev.Opened("RO-1", "inline-4", FITMENT)
    name = write([opening, ev.Closed(("coil3",), ("",), verified=True)])
    causes = vocabulary(pack).causes
    visits = list_visits(shop)
    weights = dict(zip(causes, weigh_visits(visits, causes, pack)[name], strict=True))
    plugs = [weights[cause] for cause in causes if cause.startswith("plug.")]
    assert min(weights["coil.hot"], weights["coil.open"]) - max(plugs) > 20
    assert read_back(shop, tmp_path).unconfirmed == {0: 1}


def test_jobs_that_need_no_weighing(shop: Shop, write: Write, pack: Pack) -> None:
    coil = ev.Closed(("coil3",), ("hot",), verified=True)
    write([ev.Opened("RO-1", "inline-4", FITMENT), coil])
    write([ev.Opened("RO-2", "inline-4", FITMENT), ev.Closed(), ev.Reopened(), coil])
    unknown = write([ev.Opened("RO-3", "inline-4", FITMENT), ev.Closed()])
    assert set(weigh_visits(list_visits(shop), vocabulary(pack).causes, pack)) == {unknown}


def test_an_empty_store_says_so(shop: Shop, tmp_path: Path) -> None:
    with pytest.raises(LearnError, match="is closed, so there is nothing to learn"):
        learn_priors(shop, out=tmp_path / "out")


def test_past_vehicles_have_the_faults_that_were_found(
    shop: Shop, write: Write, pack: Pack
) -> None:
    coil = ev.Closed(("coil3",), ("breakdown",), verified=True)
    write([ev.Opened("RO-1", "inline-4", FITMENT, odometer_km=9e4), coil], [1, 1])
    write([ev.Opened("RO-2", "inline-4", FITMENT), ev.Closed()], [2, 2])
    write([ev.Opened("RO-3", "inline-4", FITMENT), coil, ev.Reopened(), coil], [3, 3, 4, 4])
    write([ev.Opened("RO-4", "inline-4", FITMENT), ev.Closed(("coil3",), ("",), verified=True)])
    ((again, _),) = past_vehicles(list_visits(shop), pack, count=9, seed=1)
    assert again.opening.ro == "RO-1"
    ((element, state),) = again.faults.items()
    assert (element, state.mode) == ("coil3", pack.kinds["coil"].modes["breakdown"])
    last = again.events[-1]
    assert isinstance(last, ev.Ran)
    assert last.codes


def test_working_again_under_the_same_priors_saves_nothing(pack: Pack) -> None:
    """And costs are those of playing the same vehicles with the same luck directly."""
    settings = PlanSettings(pack.costs, depth=1)
    vehicles = drawn_vehicles(pack, "inline-4", FITMENT, count=2, seed=3)
    found = work_again(vehicles, pack, pack, settings, seed=1)
    assert (found.jobs, found.saved, found.low, found.high, found.changed) == (2, 0, 0, 0, 0)
    costs = [play(world.copy(luck), Planner(1), settings).cost for world, luck in vehicles]
    assert found.cost_before == found.cost_after == pytest.approx(np.mean(costs))
    with pytest.raises(LearnError, match="no past job"):
        work_again([], pack, pack, settings, seed=1)


def test_what_was_learned_before_is_not_learned_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    for grade in ("learned", "memory"):
        (tmp_path / f"{grade}.toml").write_text(
            f'format = 1\nname = "{grade}"\nversion = "1"\nfrom = "it"\n'
            f'[source.it]\ngrade = "{grade}"\ntext = "invented"\n'
            "[element.coil.mode.hot]\nhazard_ratio = { median = 2 }\n",
            encoding="utf-8",
        )
    paths = [str(tmp_path / "learned.toml"), str(tmp_path / "memory.toml")]
    (tmp_path / "settings.toml").write_text(f"overlays = {paths}\n", encoding="utf-8")
    with Shop(str(tmp_path / "jobs.db")) as again:
        pack, remarks = pack_to_learn_on(again)
    assert pack.kinds["coil"].modes["hot"].hazard_ratio.median == 2
    assert pack.version.endswith("memory-1")
    assert "learned" not in pack.version
    assert remarks == (f"{paths[0]} was learned itself, so it was not learned on",)

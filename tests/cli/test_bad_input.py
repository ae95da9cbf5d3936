"""Whatever is typed wrongly: one clear line, an exit code of its own, the ledger untouched."""

from __future__ import annotations

import pytest
from cli.conftest import Bay

BAD = {
    "unknown cylinder": ("drive 10 --codes P0307", 8, "4"),
    "cylinder of a reading": ("read coil-supply 9=12V", 8, "1 to 4"),
    "kind the engine lacks": ("swap lead 1-2", 8, "lead"),
    "near match of a kind": ("replace coyl3", 8, 'did you mean "coil"'),
    "part with itself": ("swap coil 2-2", 8, "itself"),
    "a site cannot move": ("swap sealing 1-2", 8, "cannot move"),
    "two kinds": ("swap coil1 plug2", 8, "not of one kind"),
    "unit of another quantity": ("read coil-supply 3=12psi", 2, "psi"),
    "no such unit": ("read coil-supply 3=12flurbs", 2, "flurbs"),
    "negative minutes": ("drive -- -5", 2, "-5"),
    "no minutes at all": ("drive 0 --no-codes", 2, "0"),
    "reading without a number": ("read coil-supply 3=", 2, "name=value"),
    "reading that is a word": ("read coil-supply 3=good", 2, "good"),
    "supply without the battery": ("read coil-supply 3=12.4V", 2, "--against"),
    "volts over limit": ("read coil-supply 3=OL --against 12.5V", 2, "V, mV, kV"),
    "impossible pressure": ("read compression 3=1200psi", 2, "0 to 600 psi"),
    "impossible gap": ("read plug-gap 3=44", 2, "44 mm cannot be"),
    "pressure in another unit": ("read compression 3=12", 11, "12bar"),
    "dead battery": ("read coil-supply 3=5V --against 5V", 11, "8 to 16 V"),
    "wanted of what has none": ("read leak-down 3=5 --wanted 4", 2, "no wanted figure"),
    "code of another system": ("drive 10 --codes B0303", 2, "body"),
    "no code": ("drive 10 --codes coil", 2, "trouble code"),
    "unknown condition": ("drive 10 --when warmish --no-codes", 2, 'did you mean "warm"'),
    "nothing found": ("drive 10", 2, "--codes"),
    "unknown feeling": ("drive 10 --felt ruogh", 2, 'did you mean "rough"'),
    "unknown test": ("read compresion 1=100psi", 2, 'did you mean "compression"'),
    "reading as an inspection": ("inspect compression 1 low", 2, "swapinfer read"),
    "unknown outcome": ("inspect plug-look 3 oyl", 2, 'did you mean "oil"'),
    "unknown repair order": ("show --job RO-9", 9, "RO-9"),
    "nothing to undo": ("undo", 9, "undo"),
    "undo the opening": ("undo 0", 9, "undo"),
    "undo what is not there": ("undo 99", 9, "99"),
    "put back what is at home": ("back", 9, "already"),
    "same repair order again": ("open RO-1 --layout inline-4", 10, "RO-1"),
    "unknown layout": ("open RO-2 --layout inline4", 2, 'did you mean "inline-4"'),
    "unknown ignition": ("open RO-2 --ignition coil-on-plugs", 2, 'did you mean "coil-on-plug"'),
    "layout without pairs": ("open RO-2 --layout inline-5 --ignition waste-spark", 8, "pairs"),
    "newer part of no place": ("open RO-2 --newer coil7=100km", 8, "coil7"),
    "firing order": ("open RO-2 --firing-order 1-3-4-4", 8, "firing order"),
    "reopen what is open": ("reopen", 9, "not closed"),
    "cause that is no element": ("close --cause gearbox", 8, "gearbox"),
    "unreadable pack": ("open RO-2 --priors nowhere.toml", 7, "nowhere.toml"),
    "counter of a word": ("drive 10 --counts 3=many", 2, "3=140"),
    "counter that nothing holds": ("drive 10 --counts 2=10000000000", 2, "0 to 100,535 in 10 min"),
    "counter beyond any number": (f"drive 10 --counts 2={'9' * 5000}", 2, "0 to 100,535"),
    "cylinder beyond any number": (f"drive 10 --suspect {'9' * 5000}", 8, "1 to 4"),
    "place beyond any number": (f"replace coil{'9' * 5000}", 8, "coil1, coil2"),
    "drive of a lifetime": ("drive 1e7 --no-codes", 2, "at most 10,000 minutes"),
    "odometer of no vehicle": ("open RO-2 --odometer 4000000km", 2, "0 to 3,000,000 km"),
    "distance of no vehicle": ("open RO-2 --driven 1e300km", 2, "0 to 3,000,000 km"),
    "part older than any": ("open RO-2 --newer coil2=1e9", 2, "0 to 3,000,000 km"),
    "altitude of no road": ("open RO-2 --altitude 9000", 2, "-500 to 6,000 m"),
    "altitude of no shore": ("open RO-2 --altitude=-900ft --altitude=-900m", 2, "-500 to 6,000 m"),
    "ratio of no engine": ("open RO-2 --compression-ratio 100", 2, "4 to 25"),
    "no time for any step": ("next --minutes 0", 2, "no step stays within"),
    "no money for any step": ("next --cap -5", 2, "no step stays within"),
    "counter of no cylinder": ("drive 10 --counts 9=3", 8, "1 to 4"),
}


@pytest.mark.parametrize("name", BAD)
def test_one_line_and_untouched_ledger(opened: Bay, name: str) -> None:
    line, code, word = BAD[name]
    before = opened.must("show --json").facts["events"]
    told = opened(line)
    assert told.code == code, told.err
    assert told.out == ""
    assert len(told.err.strip().splitlines()) == 1, told.err
    assert word in told.err
    assert "Traceback" not in told.err
    assert opened.must("show --json").facts["events"] == before


def test_closed_job_refuses_events(opened: Bay) -> None:
    opened.must("close")
    told = opened("drive 10 --no-codes")
    assert told.code == 9
    assert "reopen" in told.err
    opened.must("reopen 'came back'")
    opened.must("drive 10 --no-codes")


def test_broken_store_is_one_line(bay: Bay) -> None:
    (bay.folder / "jobs.db").write_bytes(b"this is no database, whatever its name says" * 100)
    told = bay("jobs")
    assert told.code == 3
    assert len(told.err.strip().splitlines()) == 1


def test_no_current_job(bay: Bay) -> None:
    told = bay("show")
    assert told.code == 9
    assert "open" in told.err


@pytest.mark.parametrize("line", ["jobs --store", "store restore --store", "page --tls one"])
def test_an_option_without_its_value_is_told_in_one_line(bay: Bay, line: str) -> None:
    told = bay(line)
    assert told.code == 2
    assert told.err.startswith("swapinfer: Option '--")
    assert len(told.err.splitlines()) == 1


def test_usage_error_of_the_shell(bay: Bay) -> None:
    assert bay("drive").code == 2
    assert bay("no-such-command").code == 2

"""Reading, overlaying, telling what is wrong and where, and the text that a ledger keeps."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from swapinfer.errors import PackError
from swapinfer.pack.engine import Engine
from swapinfer.pack.load import base_folder, load_pack
from swapinfer.pack.model import Pack, Uncertain
from swapinfer.pack.provenance import provenance_of
from swapinfer.pack.tables import pack_from_json, pack_to_json

TINY = Path(__file__).parent / "tiny"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a copy of the base pack's files, to be spoiled."""
    return Path(shutil.copytree(base_folder(), tmp_path / "priors"))


def spoil(root: Path, name: str, old: str, new: str) -> None:
    """Replace the first occurrence of a text in a file."""
    path = root / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


SPOILED = [
    ("elements/6-ignition.toml", "new_fault =", "new_fautl =",
     'unknown key "new_fautl"; did you mean "new_fault"?'),
    ("elements/6-ignition.toml", "severity = { hard = 0.85", "severity = { hard = 0.95",
     "severity shares of the severities must add up to 1, got 1.1"),
    ("elements/6-ignition.toml", "severity = { hard =", "severity = { hrad =",
     'no severity "hrad"; did you mean "hard"?'),
    ("elements/6-ignition.toml", "swap_minutes = 14", "swap_minutes = -14",
     "swap_minutes must not be negative, got -14"),
    ("elements/6-ignition.toml", 'pattern = "pair"', 'pattern = "pairs"',
     'no way of sharing cylinders "pairs"; did you mean "pair"?'),
    ("elements/6-ignition.toml", 'access = "engine-cover"', 'access = "engine-cove"',
     'no access "engine-cove"; did you mean "engine-cover"?'),
    ("elements/1-engine-wide.toml", "when = { idle = 2,", "when = { idel = 2,",
     'no condition "idel"; did you mean "idle"?'),
    ("elements/1-engine-wide.toml", "shape = 1.3", "shape = 0", "shape must be above 0, got 0"),
    ("elements/1-engine-wide.toml", "spread = 2 }", "spread = 0.5 }",
     "spread is a factor of at least 1, got 0.5"),
    ("elements/1-engine-wide.toml", "minutes = 60", 'minutes = "60"',
     'minutes must be a number, got "60"'),
    ("elements/1-engine-wide.toml", "price = [90, 180, 450]", "price = [90, 180]",
     "price must be a list of 3, got [90, 180]"),
    ("tests/ignition.toml", "clean = 0.7081", "clean = 0.8081",
     "good chances of the outcomes must add up to 1, got 1.1"),
    ("tests/ignition.toml", "profile.worn = { clean", "profile.worn = { claen",
     'no outcome "claen"; did you mean "clean"?'),
    ("tests/ignition.toml", 'sealing = { rings = "oil"', 'sealing = { ring = "oil"',
     'no mode "ring"; did you mean "rings"?'),
    ("tests/ignition.toml", "minutes = 14\n", "minutes = nan\n",
     "minutes must be a number, got nan"),
    ("tests/ignition.toml", 'tools = ["plug-socket"]', 'tools = ["plug-sockets"]',
     'no tool "plug-sockets"; did you mean "plug-socket"?'),
    ("codes.toml", 'role = "misfire"', 'role = "misfires"',
     'no role of a code "misfires"; did you mean "misfire"?'),
    ("codes.toml", "injector = { open = 0.85", "injector = { open = 1.85",
     "open is a chance, so between 0 and 1, got 1.85"),
    ("layouts/v6.toml", "firing_order = [1, 2,", "firing_order = [1, 1,",
     "layout v6: firing order [1, 1, 3, 4, 5, 6] must name each of the 6 cylinders once",
     "[layout.v6]"),
    ("access.toml", 'needs = ["engine-cover"]', 'needs = ["ignition-off"]',
     'needs "ignition-off" needs itself to be off first'),
    ("pack.toml", 'otherwise = "chosen", needless', 'otherwise = "chosne", needless',
     'no source "chosne"; did you mean "chosen"?', "rate_per_hour"),
    ("pack.toml",
     ('from = { otherwise = "chosen", needless_part = "common", foresight = "play", '
     'condition_minutes = "memory" }\n'), "",
     'rate_per_hour has no source; say from = "..." in its table or above', "rate_per_hour"),
    ("pack.toml", 'grade = "common"', 'grade = "comon"',
     'no grade of source "comon"; did you mean "common"?'),
    ("pack.toml", "[costs]", "[cots]", 'unknown key "cots"; did you mean "costs"?'),
    ("pack.toml", "comes_back = [[0, 0.2]", "comes_back = [[0, 0.9]",
     "chances add up to 1.1, more than 1"),
    ("tools.toml", "format = 1", "format = 2", "format must be 1, got 2"),
]  # fmt: skip
"""File, what is replaced by what, the message, and on whose line if not that of the replaced."""


@pytest.mark.parametrize(
    ("name", "old", "new", "message", "at"),
    [(*case, case[1])[:5] for case in SPOILED],
    ids=[case[2].strip() for case in SPOILED],
)
def test_an_error_names_file_line_and_what_was_meant(
    root: Path, name: str, old: str, new: str, message: str, at: str
) -> None:
    before = (root / name).read_text(encoding="utf-8")
    line = before[: before.index(at)].count("\n") + 1
    spoil(root, name, old, new)
    with pytest.raises(PackError) as caught:
        load_pack(root=root)
    told = str(caught.value)
    assert told.startswith(f"priors/{name}:{line}: "), told
    assert told.endswith(message), told
    assert "\n" not in told


def test_a_file_that_is_not_toml_is_told_with_its_line(root: Path) -> None:
    spoil(root, "codes.toml", "first = 301", "first = = 301")
    with pytest.raises(PackError, match=r"^priors/codes\.toml:9: not valid TOML: Invalid value$"):
        load_pack(root=root)


def test_what_cannot_be_read_is_told_in_one_line(tmp_path: Path) -> None:
    for path, told in (
        (tmp_path / "none.toml", "cannot be read (No such file or directory)"),
        (tmp_path, "no .toml file in this folder"),
    ):
        with pytest.raises(PackError) as caught:
            load_pack([path])
        assert str(caught.value) == f"{path}: {told}"
    latin = tmp_path / "latin.toml"
    latin.write_bytes("# gr\u00fcn".encode("latin-1"))
    with pytest.raises(PackError, match="not UTF-8 text"):
        load_pack([latin])
    deep = tmp_path / "deep.toml"
    deep.write_text("x = " + "[" * 100_000, encoding="utf-8")
    with pytest.raises(PackError, match="nested too deeply"):
        load_pack([deep])


def test_the_base_pack_says_everything_once(root: Path) -> None:
    again = root / "again.toml"
    again.write_text('format = 1\n[caution.hot]\ntext = "again"\n', encoding="utf-8")
    with pytest.raises(PackError) as caught:
        load_pack(root=root)
    first = str(caught.value)
    assert first.startswith("priors/cautions.toml:")
    assert "text said twice" in first


def test_the_smallest_pack_loads_without_an_axis_of_fuel() -> None:
    tiny = load_pack(root=TINY)
    assert list(tiny.fitments) == ["ignition"]
    assert pack_from_json(pack_to_json(tiny)) == tiny


# Overlays -----------------------------------------------------------------------------------------

OVERLAY = """
format = 1
name = "north yard"
version = "7"

[costs]
rate_per_hour = 95

[element.coil.mode.breakdown]
life_km = { median = 400_000 }

[element.coil.fix]
price = [20, 35, 90]
from = "dealer"

[source.dealer]
grade = "common"
text = "price list of our dealer"
"""


def test_an_overlay_changes_only_what_it_names(pack: Pack, overlay: Path) -> None:
    overlay.write_text(OVERLAY, encoding="utf-8")
    ours = load_pack([overlay])
    before, after = json.loads(pack_to_json(pack)), json.loads(pack_to_json(ours))
    named = {
        ("costs", "rate_per_hour"): 95,
        ("element", "coil", "mode", "breakdown", "life_km", "median"): 400_000,
        ("element", "coil", "fix", "price"): [20, 35, 90],
        ("version",): "1+north-yard-7",
        ("source", "dealer"): {"grade": "common", "text": "price list of our dealer"},
        ("source", "north-yard"): {"grade": "chosen", "text": "overlay north-yard of this shop"},
        ("provenance", "costs", "rate_per_hour"): "north-yard",
        ("provenance", "element", "coil", "mode", "breakdown", "life_km", "median"): "north-yard",
        ("provenance", "element", "coil", "fix", "price"): "dealer",
    }
    for path, value in named.items():
        inner = before
        for key in path[:-1]:
            inner = inner[key]
        inner[path[-1]] = value
    assert after == before
    assert ours.kinds["coil"].modes["breakdown"].life_km == Uncertain(400_000, 2)
    assert ours.kinds["coil-pack"] == pack.kinds["coil-pack"]
    assert provenance_of(ours, "costs.rate_per_hour").text == "overlay north-yard of this shop"


def test_later_overlays_win_and_both_are_named(pack: Pack, tmp_path: Path) -> None:
    for name, rate in (("a", 90), ("b", 100)):
        text = f"format = 1\n[costs]\nrate_per_hour = {rate}\n"
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    both = load_pack([tmp_path])
    assert both.costs.rate_per_hour == 100
    assert both.version == f"{pack.version}+a+b"
    assert load_pack([tmp_path / "b.toml", tmp_path / "a.toml"]).costs.rate_per_hour == 90


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[element.coil.fix]\nprize = 3", ':2: unknown key "prize"; did you mean "price"?'),
        ("[element.coli]\naccess = ''", ':1: no element "coli"; did you mean "coil"? a new one'),
        ("[element.coil.mode.opne]\nshape = 2", ':1: no mode "opne"; did you mean "open"? a new'),
        ("[element.gremlin]\nmovable = true", ':1: needs a key "title"'),
        ("[element.coil.fix]\nprice = [150, 60, 30]", ":2: price must rise from low to typical"),
        ("[element.coil.fix]\nprice = [30, 160, 150]", ":2: price must rise from low to typical"),
        (
            "[element.sealing.mode.tight-valve.fix]\ntitle = 't'\nminutes = 1\nprice = [2, 1, 3]",
            ":4: price must rise from low to typical to high, got [2, 1, 3]",
        ),
        ("[test.plug-look]\nminutes = -2", ":2: minutes must not be negative, got -2"),
        ("[element.coil.mode.x]\nlike = 'brakdown'", ':2: unknown key "like"'),
        ("[element.x]\nlike = 'coli'", ':2: no other element "coli"; did you mean "coil"?'),
        ("[element.x]\nlike = 'x'", ':2: no other element "x"'),
        ("[costs]\nfrom = 3\ncomeback = 9", ":2: from must be the id of a source, or a table"),
        ("[costs]\nfrom = { x = 'common' }", ':2: x names "x", which is not beside it'),
        ("source = 'me'", ':1: source must be a table, got "me"'),
        ("element = 4", ":1: element must be a table, got 4"),
        ("[element]\ncoil = 4", ":2: coil must be a table, got 4"),
        ("[element.coil.handling]\nspring = 1", ':2: no element "spring"'),
        ("[element.coil3]\nlike = 'coil'", ":1: coil3 a kind's name must not end in a digit"),
        ("['test'.\"Big One\"]\nlike = 'smoke'", ":1: Big One is no name"),
        ("[test.coil-look.sees]\nplug = 'burnt'", ':2: plug is made on "coil" alone'),
        ("[test.smoke.profile.odd]\ntight = 1", ':1: nothing shows profile "odd"'),
        ("[test.fuel-trim]\nband = { a = 2, b = 1 }", ":2: band must rise, and the last"),
        ("[test.fuel-trim]\nrange = [9, -9]", ":2: range must be a lower and a higher reading"),
        ("[test.fuel-trim]\npossible = [0, 50]", ":2: possible must hold the whole plausible"),
        ("[test.fuel-trim]\npossible = [90, -90]", ":2: possible must be a lower and a higher"),
        ("[test.coil-supply]\nreference_range = [16, 8]", ":2: reference_range must be a lower"),
        (
            "[test.fuel-trim]\nwanted = 'x'\nprofile.good = { lobes = [[1, 0, 3]] }",
            ":2: wanted is for a test",
        ),
        ("[test.plug-look]\nremembers = 'plugs'", ':2: no element "plugs"; did you mean "plug"'),
        ("[test.coil-look]\nremembers = 'coil'", ":2: remembers is for a test made on a cylinder"),
        ("[test.fuel-trim.profile]\nodd = { tight = 1 }", ":2: odd a reading's profile needs"),
        ("[test.smoke.profile]\nodd = { lobes = [[1, 0, 1]] }", ":2: odd an inspection's"),
        ("[test.fuel-trim.profile]\ngood = { lobes = [[1, 0, 0]] }", ":2: lobes a lobe is"),
        ("[layout.none]\ntitle = 'none'\nbanks = []\nfiring_order = []", ":3: banks must hold"),
        (
            "[custom]\norder = [['swop', 'coil']]",
            ':2: no sort of step "swop"; did you mean "swap"?',
        ),
        ("[custom]\norder = [['test', 'coil-lok']]", ':2: no test "coil-lok"; did you mean'),
        ("[costs]\ndrive_minutes = []", ":2: drive_minutes must name at least one length"),
        ("[costs]\ndrive_conditions = []", ":2: drive_conditions must name at least one choice"),
        ("[costs]\ndrive_conditions = [['laod']]", ':2: no condition "laod"; did you mean "load"'),
        ("[caution.ice]\ntext = 'It is slippery.'", ':1: needs a key "short"'),
        (f"[caution.hot]\nshort = '{'hot ' * 8}'", ":2: short must be a name of at most 30"),
        ("[caution]\nice = 'It is slippery.'", ':2: needs a key "short"'),
        ("[element.coil]\nmovable = 1", ":2: movable must be true or false, got 1"),
        ("[element.coil]\nid = 'x'", ':2: unknown key "id"'),
        ("[test.smoke]\nchances = { good = 1 }", ':2: unknown key "chances"'),
        ("[costs]\nrate_per_hour = inf", ":2: rate_per_hour must be finite, got inf"),
        ("[test.fuel-trim.band]\nlean = nan", ":2: lean must be a number, got nan"),
        ("[test.coil-look.sees]\ncoil = 3", ":2: coil must be text, got 3"),
        ("[element.coil.handling.coil]\nopen = 1.5", ":2: open is a chance, so between"),
        ("[code.misfire.sets]\ncoil = -1", ":2: coil is a chance, so between 0 and 1, got -1"),
        ("[layout.v6]\ndegrees = -60", ":2: degrees must not be negative, got -60"),
        ("[test.smoke]\nlevel = 'x'", ":2: level must be a table, got"),
        ("[code.misfire]\nfirst = 3.5", ":2: first must be a whole number, got 3.5"),
        ("[element.coil]\ntitle = 1979-05-27", ":2: title must be text, got 1979-05-27"),
    ],
)
def test_an_overlays_error_is_told_in_its_own_file(overlay: Path, text: str, told: str) -> None:
    overlay.write_text(f"format = 1\n{text}\n", encoding="utf-8")
    with pytest.raises(PackError) as caught:
        load_pack([overlay])
    number, _, message = told.lstrip(":").partition(":")
    assert str(caught.value).startswith(f"{overlay}:{int(number) + 1}:{message}")


def test_an_overlay_says_in_which_format_it_is_written(overlay: Path) -> None:
    overlay.write_text("[costs]\nrate_per_hour = 90\n", encoding="utf-8")
    with pytest.raises(PackError) as caught:
        load_pack([overlay])
    assert str(caught.value) == f"{overlay}:1: needs a key format = 1"


_WORDS = st.sampled_from(
    ["element", "test", "coil", "mode", "open", "coil-resistance", "profile", "good", "like",
     "from", "sees", "handling", "costs", "layout", "twin", "source", "fix", "price", "severity",
     "code", "name", "version", "format", "band", "lobes", "running", "when", "life_km"]
)  # fmt: skip
_VALUES = st.recursive(
    st.one_of(
        st.integers(-(10**400), 10**400), st.floats(), st.booleans(), st.text(max_size=4), _WORDS
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(_WORDS, inner, max_size=3)
    ),
    max_leaves=6,
)


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, bool):
        return str(value).lower()
    return str(value)


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(_WORDS, min_size=1, max_size=5), _VALUES)
def test_no_overlay_whatever_it_says_ends_in_anything_but_a_line(
    overlay: Path, path: list[str], value: object
) -> None:
    overlay.write_text(f"format = 1\n{'.'.join(path)} = {_toml(value)}\n", encoding="utf-8")
    told = f"{overlay}:"
    try:
        load_pack([overlay], root=TINY)
    except PackError as error:
        told = str(error)
    assert "\n" not in told
    assert told.startswith(f"{overlay}:")


# A layout is a file -------------------------------------------------------------------------------


def test_a_new_layout_is_a_file_and_no_code(tmp_path: Path) -> None:
    """An inline eight, which the base pack has not."""
    (tmp_path / "inline-8.toml").write_text(
        """
        format = 1
        from = "common"
        [layout.inline-8]
        title = "eight in line"
        banks = [[1, 2, 3, 4, 5, 6, 7, 8]]
        firing_order = [1, 6, 2, 5, 8, 3, 7, 4]
        """,
        encoding="utf-8",
    )
    pack = load_pack([tmp_path])
    engine = Engine.build(
        pack, pack.layouts["inline-8"], {"ignition": "waste-spark", "fuel": "port"}
    )
    assert [p.id for p in engine.places_for("coil-pack")] == [
        "coil-pack1+8",
        "coil-pack2+7",
        "coil-pack3+6",
        "coil-pack4+5",
    ]
    assert len(engine.places_for("head-gasket")) == 7


# Digest and the text that a ledger keeps ----------------------------------------------------------


def test_the_digest_is_that_of_the_text_and_the_text_gives_the_same_pack(pack: Pack) -> None:
    text = pack_to_json(pack)
    assert pack.digest == hashlib.sha256(text.encode()).hexdigest()
    again = pack_from_json(text)
    assert again == pack
    assert pack_to_json(again) == text
    assert list(again.kinds) == list(pack.kinds)
    json.loads(text, parse_constant=pytest.fail)


def test_a_pack_kept_before_cautions_had_short_names_is_still_read(pack: Pack) -> None:
    table = json.loads(pack_to_json(pack))
    table["caution"] = {name: caution["text"] for name, caution in table["caution"].items()}
    kept = pack_from_json(json.dumps(table))
    assert kept.cautions["ignition-voltage"].name == "ignition voltage"
    assert kept.cautions["hot"].text == pack.cautions["hot"].text


def test_the_digest_ignores_comments_and_layout_but_no_number(root: Path, pack: Pack) -> None:
    path = root / "access.toml"
    path.write_text(f"# a comment\n\n{path.read_text(encoding='utf-8')}", encoding="utf-8")
    assert load_pack(root=root).digest == pack.digest
    spoil(root, "access.toml", "open_minutes = 2", "open_minutes = 3")
    assert load_pack(root=root).digest != pack.digest


@pytest.mark.parametrize(
    "text", ["", "[]", "7", "{}", '{"format":1}', '{"format":2}', '{"format":1,"name":3}', "\x00"]
)
def test_a_broken_stored_pack_is_told_in_one_line(text: str) -> None:
    with pytest.raises(PackError, match=r"^stored pack"):
        pack_from_json(text)


# What was read before -----------------------------------------------------------------------------


def kept(folder: Path) -> list[Path]:
    return sorted((folder / "swapinfer" / "packs").glob("*"))


def test_a_pack_read_again_is_the_same_whatever_became_of_the_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pack: Pack
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert load_pack() == pack
    (copy,) = kept(tmp_path)
    assert copy.read_text(encoding="utf-8") == pack_to_json(pack)
    assert load_pack() == pack
    copy.write_text("{", encoding="utf-8")
    assert load_pack() == pack
    copy.write_bytes(b"\xff")
    assert load_pack() == pack
    assert copy.read_text(encoding="utf-8") == pack_to_json(pack)


def test_few_copies_are_kept_and_none_is_needed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pack: Pack
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    overlay = tmp_path / "shop.toml"
    for rate in range(100, 111):
        overlay.write_text(f"format = 1\n[costs]\nrate_per_hour = {rate}\n", encoding="utf-8")
        assert load_pack([overlay], root=TINY).costs.rate_per_hour == rate
    assert len(kept(tmp_path / "cache")) == 8
    (tmp_path / "file").write_text("", encoding="utf-8")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert load_pack() == pack

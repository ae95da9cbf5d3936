"""A shop at work: its settings, its store, and the packs that its jobs were made with."""

from __future__ import annotations

import getpass
import os
import tomllib
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from msgspec import Struct, structs

from swapinfer.errors import InputError, JobError, PackError, near_match
from swapinfer.ledger.store import Store
from swapinfer.pack.model import Costs, Pack
from swapinfer.pack.money import RATES, OwnMoney, check_amount
from swapinfer.pack.tables import pack_from_json, pack_to_json
from swapinfer.units import split_quantity

if TYPE_CHECKING:
    from swapinfer.ledger.event import Event
    from swapinfer.ledger.record import Record
    from swapinfer.ledger.replay import Job

APP = "swapinfer"

OTHER_VERSION = (
    "priors {} were kept by another version of swapinfer; those of today are used in their place"
)

CHOICES = {
    "pressure": ("psi", "kPa", "bar"),
    "distance": ("km", "mi"),
    "temperature": ("degC", "degF"),
    "paper": ("a4", "letter"),
    "decimal": (".", ","),
    "dates": ("iso", "dmy", "mdy"),
    "guess_first": ("no", "yes"),
}
"""Settings that take one of a few words."""

USUAL_UNITS = {"pressure": "psi", "distance": "km", "temperature": "degC"}
"""Units in which numbers are shown as long as a shop has not chosen."""


class Settings(Struct, frozen=True):
    """What a shop decides once; what it leaves empty or None is as usual.

    Money is in its own currency, of which one unit of the pack's is worth `exchange`. The name in
    `shop` is for write-ups, that of the `technician` for events; `established` is the least
    probability at which a write-up may call a cause so, `template` the file that says what it must
    hold. `store` is a file or a PostgreSQL address, `adapter` is as in ``socketcan:can0``.
    """

    shop: str = ""
    technician: str = ""
    currency: str = ""
    exchange: float | None = None
    rate_per_hour: float | None = None
    comeback: float | None = None
    diagnosis_cap: float | None = None
    missing_tools: tuple[str, ...] = ()
    pressure: str = ""
    distance: str = ""
    temperature: str = ""
    paper: str = "a4"
    decimal: str = "."
    dates: str = "iso"
    established: float | None = None
    template: str = ""
    guess_first: str = "no"
    overlays: tuple[str, ...] = ()
    store: str = ""
    adapter: str = ""
    part_prices: dict[str, float] = {}

    def unit(self, quantity: str) -> str:
        """Name the unit in which ``"pressure"``, ``"distance"`` or ``"temperature"`` is shown."""
        return getattr(self, quantity) or USUAL_UNITS[quantity]

    def bare_unit(self, wanted: str) -> str:
        """Name the unit that the shop chose, if any, of numbers typed without for `wanted`."""
        for quantity in USUAL_UNITS:
            if wanted in CHOICES[quantity]:
                return str(getattr(self, quantity))
        return ""

    @property
    def money(self) -> OwnMoney:
        """What the shop says of money itself."""
        return OwnMoney(**{name: getattr(self, name) for name in OwnMoney.__struct_fields__})

    def costs(self, pack: Pack) -> Costs:
        """Costs of the pack with the shop's own figures in their place."""
        return self.money.costs(pack)


class SettingsFile(Struct, frozen=True):
    """The settings file as far as it can be read.

    Beside its settings stand keys that are none, or whose values are none, what is wrong, one line
    each, and whether it can be read at all.
    """

    settings: Settings = Settings()
    unread: dict[str, Any] = {}
    problems: tuple[str, ...] = ()
    is_toml: bool = True


def settings_path() -> Path:
    """Path of the settings file."""
    named = os.environ.get("SWAPINFER_SETTINGS")
    return Path(named) if named else user_folder("config") / "settings.toml"


def read_settings() -> SettingsFile:
    """Read what can be read of the settings file; an empty one when there is none."""
    path = settings_path()
    if not path.exists():
        return SettingsFile()
    try:
        table: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        return SettingsFile(problems=(f"settings file {path}: {error}",), is_toml=False)
    kept, unread, problems = {}, {}, []
    for name, value in table.items():
        try:
            kept[name] = _kept_setting(name, value)
        except InputError as error:
            unread[name] = value
            problems.append(f"settings file {path}: {error}")
    return SettingsFile(structs.replace(Settings(), **kept), unread, tuple(problems))


def write_settings(settings: Settings, unread: Mapping[str, Any]) -> None:
    """Write the settings file, private to its owner; what is unread stays, to be corrected."""
    path = settings_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [
        f"{name} = {_toml(value)}"
        for name, value in {**structs.asdict(settings), **unread}.items()
        if value not in (None, "", (), {})
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    path.chmod(0o600)


def typed_setting(settings: Settings, name: str, text: str) -> Settings:
    """Return settings with one of them as typed, or as by default if nothing was.

    ``part_prices.coil`` is one price.
    """
    name, _, kind = name.strip().partition(".")
    name = name.replace("-", "_")
    default = _default_of(name)
    if bool(kind) != isinstance(default, dict):
        wanted = "part_prices needs a kind of part, as in part_prices.coil=40"
        raise InputError(f"{name} is one setting, without {kind}" if kind else wanted)
    value: object = default
    if isinstance(default, dict):
        others = {key: price for key, price in settings.part_prices.items() if key != kind}
        value = others | ({kind: _typed_number(f"{name}.{kind}", text)} if text else {})
    elif text and isinstance(default, tuple):
        value = tuple(text.replace(",", " ").split())
    elif text:
        value = _typed_number(name, text) if default is None else _one_of(name, text)
    return structs.replace(settings, **{name: value})


def _default_of(name: str) -> object:
    names = Settings.__struct_fields__
    if name not in names:
        raise InputError(f'unknown setting "{name}"{near_match(name, names)}')
    return getattr(Settings(), name)


def _typed_number(name: str, text: str) -> float:
    try:
        value, unit = split_quantity(text, "")
    except InputError:
        value, unit = 0.0, text
    if unit:
        raise InputError(f'{name} must be a number, as in 52.50 or 52,50, got "{text}"')
    return _number(name, value)


def _number(name: str, value: Any) -> float:  # noqa: ANN401  whatever a file holds
    least, most = RATES
    if type(value) not in (int, float):
        raise InputError(f'{name} must be a number, got "{value}"')
    if name == "exchange" and not least <= value <= most:
        raise InputError(f"exchange must be between {least:f} and {most:,.0f}, got {value:g}")
    if name not in ("exchange", "established"):  # what may be called established, write-ups judge
        check_amount(name, value)
    return float(value)


def _one_of(name: str, text: str) -> str:
    if name == "currency":
        text = text.upper()
        if not (len(text) == 3 and text.isascii() and text.isalpha()):
            raise InputError(f'currency must be three letters, as in EUR, got "{text}"')
    choices = CHOICES.get(name, (text,))
    if text not in choices:
        raise InputError(f'{name} must be one of {", ".join(choices)}, got "{text}"')
    return text


def _kept_setting(name: str, value: object) -> object:
    """Return the value of a setting as a file holds it."""
    default = _default_of(name)
    match default, value:
        case tuple(), list():
            return tuple(map(str, value))
        case None, int() | float() if not isinstance(value, bool):
            return _number(name, value)
        case str(), str():
            return _one_of(name, value) if value else value
        case dict(), dict():
            return {kind: _number(f"{name}.{kind}", price) for kind, price in value.items()}
    wanted = {"tuple": "a list of words", "str": "text in quotes", "dict": "a table"}
    kind = wanted.get(type(default).__name__, "a number")
    raise InputError(f"{name} must be {kind}, got {value!r}")


def _login_name() -> str:
    """Name of whoever is at the keyboard."""
    try:
        return os.environ.get("SWAPINFER_WHO") or getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def _toml(value: object) -> str:
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        inner = ", ".join(f"{_toml(str(key))} = {_toml(item)}" for key, item in value.items())
        return "{ " + inner + " }"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    return str(value).lower() if isinstance(value, bool) else str(value)


def user_folder(which: str) -> Path:
    """Return the user's own folder for ``"config"`` or ``"data"``."""
    import platformdirs

    folder = platformdirs.user_config_path if which == "config" else platformdirs.user_data_path
    return folder(APP, appauthor=False)


class OpenJob(Struct, frozen=True):
    """A job as loaded: its id, records and replay."""

    id: str
    ro: str
    records: list[Record]
    job: Job


class Shop:
    """What commands work with; use it as a context manager.

    The store is by default that of the environment, the settings, or the user's data folder; `who`
    is the name on events. Overlays lie on the base priors beside those of the settings. While
    supposing, nothing is recorded.
    """

    def __init__(
        self,
        store: str = "",
        who: str = "",
        overlays: Sequence[Path] = (),
        *,
        is_supposing: bool = False,
    ) -> None:
        self.is_supposing = is_supposing
        read = read_settings()
        if read.problems:
            raise InputError(read.problems[0])
        self.settings = read.settings
        place = store or os.environ.get("SWAPINFER_STORE", "") or self.settings.store
        self.store_place = place or str(user_folder("data") / "jobs.db")
        self.who = who or self.settings.technician or _login_name()
        self.overlays = [*map(Path, self.settings.overlays), *overlays]
        self._packs: dict[str, Pack] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        if "store" in self.__dict__:
            self.store.close()

    @cached_property
    def store(self) -> Store:
        """Store, opened when first needed; it is there already."""
        return Store.open(self.store_place, create=False)

    @contextmanager
    def founding(self) -> Iterator[Store]:
        """Give the store to what may begin one; made for work that fails, it goes again."""
        if "store" in self.__dict__:
            yield self.store
            return
        with Store.founding(self.store_place) as store:
            self.store = store
            try:
                yield store
            finally:
                del self.store

    @cached_property
    def pack(self) -> Pack:
        """Pack that a new job gets: the base and the shop's overlays."""
        from swapinfer.pack.load import load_pack

        return load_pack(self.overlays)

    def keep_pack(self, pack: Pack) -> None:
        """Keep a pack in the store under its digest."""
        self.store.keep_pack(pack.digest, pack_to_json(pack))

    def pack_by_digest(self, digest: str) -> Pack:
        """Pack that a job was opened with, whatever has changed since.

        What another version of swapinfer kept may lack numbers that this one reckons with: such a
        job goes on under the priors of today, and says so.
        """
        if digest not in self._packs:
            text = self.store.pack(digest)
            try:
                self._packs[digest] = pack_from_json(text)
            except PackError:
                warnings.warn(OTHER_VERSION.format(digest[:12]), stacklevel=2)
                self._packs[digest] = self.pack
        return self._packs[digest]

    def job_id(self, ro: str = "") -> str:
        """Id of a repair order, or of the current job."""
        if ro:
            return self.store.find_job(ro).job
        current = self.store.current_job(self.who)
        if current is None:
            raise JobError(
                "no job is current; open one (swapinfer open RO ...) or choose one "
                "(swapinfer use RO)"
            )
        return current

    def load(self, ro: str = "") -> OpenJob:
        """Load and replay a job, by default the current one."""
        job_id = self.job_id(ro)
        records = self.store.records(job_id)
        return OpenJob(job_id, self.store.job(job_id).ro, records, self.replay(records))

    def replay(self, records: Sequence[Record], then: Sequence[Event] = ()) -> Job:
        """Replay records, and events after them, under the pack that the job was opened with."""
        from swapinfer.ledger.events import read_events
        from swapinfer.ledger.replay import replay

        events = [*read_events(records), *enumerate(then, len(records))]
        return replay(events, self.pack_by_digest(records[0].pack))

    @staticmethod
    def now() -> str:
        """Time with zone, to the second."""
        return datetime.now().astimezone().isoformat(timespec="seconds")

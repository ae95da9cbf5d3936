"""The shop's own settings, and where files lie on this computer."""

from __future__ import annotations

import getpass
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from msgspec import Struct, structs

from swapinfer.commands.typed import decimal
from swapinfer.errors import InputError, near_match
from swapinfer.pack.model import Costs, Pack
from swapinfer.pack.money import RATES, OwnMoney, check_amount

APP = "swapinfer"

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
    """What a shop decides once.

    Attributes
    ----------
    shop : str
        Name on write-ups.
    technician : str
        Name on events; the login name when empty.
    currency : str
        Three letters.
    exchange : float or None
        How many of it one unit of the pack's currency is worth.
    rate_per_hour, comeback, diagnosis_cap : float or None
        Override the pack's costs, in the shop's currency.
    missing_tools : tuple of str
        Tools of the pack that the shop does not have.
    pressure, distance, temperature : str
        Units in which numbers are shown, and taken where none is typed; empty while not chosen.
    paper : str
        ``"a4"`` or ``"letter"``.
    decimal, dates : str
        Decimal sign and form of dates on write-ups.
    established : float or None
        Least probability at which a write-up may call a cause established.
    template : str
        File that says what a write-up must hold.
    guess_first : str
        ``"yes"`` if guided work asks for the technician's own step before it shows its advice.
    overlays : tuple of str
        Overlay files on the base priors.
    store : str
        Where jobs are kept; a file or a PostgreSQL address.
    adapter : str
        What joins this computer to the diagnostic socket, as in ``socketcan:can0``.
    part_prices : dict of str to float
        Kind of part to its price, in the shop's currency.
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
        """Name the unit of a number typed without one; empty where the shop has not chosen.

        Parameters
        ----------
        wanted : str
            Unit in which the quantity is kept.
        """
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

    Attributes
    ----------
    settings : Settings
        The defaults for what is not there or cannot be read.
    unread : dict of str to object
        Keys that are no settings, or whose values are none, and what stands there.
    problems : tuple of str
        What is wrong, one line each.
    is_toml : bool
        Whether it can be read at all.
    """

    settings: Settings = Settings()
    unread: dict[str, Any] = {}
    problems: tuple[str, ...] = ()
    is_toml: bool = True


def settings_path() -> Path:
    """Path of the settings file."""
    named = os.environ.get("SWAPINFER_SETTINGS")
    return Path(named) if named else user_folder("config") / "settings.toml"


def default_store() -> Path:
    """Path of the store when nobody names one."""
    return user_folder("data") / "jobs.db"


def read_settings() -> Settings:
    """Read the shop's settings; the defaults when there is no file.

    Raises
    ------
    InputError
        If the file cannot be read or has a key that is not a setting.
    """
    read = read_settings_file()
    if read.problems:
        raise InputError(read.problems[0])
    return read.settings


def read_settings_file() -> SettingsFile:
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


def write_settings(settings: Settings, unread: Mapping[str, Any]) -> Path:
    """Write the settings file, private to its owner.

    Parameters
    ----------
    settings : Settings
        All of them.
    unread : mapping of str to object
        What else is to stand there, for someone to correct.
    """
    path = settings_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [
        f"{name} = {_toml(value)}"
        for name, value in {**structs.asdict(settings), **unread}.items()
        if value not in (None, "", (), {})
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    path.chmod(0o600)
    return path


def typed_setting(settings: Settings, name: str, text: str) -> Settings:
    """Return settings with one of them changed.

    Parameters
    ----------
    settings : Settings
        As they were.
    name : str
        Of the setting; ``part_prices.coil`` is one price.
    text : str
        Value as typed; empty goes back to the default.

    Raises
    ------
    InputError
        If there is no such setting, or the value is not one.
    """
    name, _, kind = name.strip().partition(".")
    name = name.replace("-", "_")
    default = _default_of(name)
    if bool(kind) != isinstance(default, dict):
        wanted = "part_prices needs a kind of part, as in part_prices.coil=40"
        raise InputError(f"{name} is one setting, without {kind}" if kind else wanted)
    value: object = default
    if isinstance(default, dict):
        prices = {k: v for k, v in settings.part_prices.items() if k != kind}
        value = prices | (
            {kind: _number(f"{name}.{kind}", _decimal(f"{name}.{kind}", text))} if text else {}
        )
    elif text and isinstance(default, tuple):
        value = tuple(text.replace(",", " ").split())
    elif text:
        value = _number(name, _decimal(name, text)) if default is None else _one_of(name, text)
    return structs.replace(settings, **{name: value})


def _default_of(name: str) -> object:
    names = Settings.__struct_fields__
    if name not in names:
        raise InputError(f'unknown setting "{name}"{near_match(name, names)}')
    return getattr(Settings(), name)


def _decimal(name: str, text: str) -> float:
    try:
        return decimal(text)
    except InputError:
        wanted = "must be a number, as in 52.50 or 52,50"
        raise InputError(f'{name} {wanted}, got "{text}"') from None


def _number(name: str, value: Any) -> float:  # noqa: ANN401  whatever a file holds
    if type(value) not in (int, float):
        raise InputError(f'{name} must be a number, got "{value}"')
    match name:
        case "exchange":
            least, most = RATES
            if not least <= value <= most:
                raise InputError(
                    f"exchange must be between {least:f} and {most:,.0f}, got {value:g}"
                )
        case "established":
            pass  # what may be called established, write-ups judge
        case _:
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


def login_name() -> str:
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

"""The shop's own settings, and where files lie on this computer."""

from __future__ import annotations

import getpass
import os
import tomllib
from pathlib import Path
from typing import Any

from msgspec import Struct, structs

from swapinfer.errors import InputError, near_match
from swapinfer.pack.model import Costs, Pack

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
    rate_per_hour, comeback : float or None
        Override the pack's costs.
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
    guess_first : str
        ``"yes"`` if guided work asks for the technician's own step before it shows its advice.
    overlays : tuple of str
        Overlay files on the base priors.
    store : str
        Where jobs are kept; a file or a PostgreSQL address.
    adapter : str
        What joins this computer to the diagnostic socket, as in ``socketcan:can0``.
    """

    shop: str = ""
    technician: str = ""
    currency: str = ""
    rate_per_hour: float | None = None
    comeback: float | None = None
    missing_tools: tuple[str, ...] = ()
    pressure: str = ""
    distance: str = ""
    temperature: str = ""
    paper: str = "a4"
    decimal: str = "."
    dates: str = "iso"
    established: float | None = None
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

    def costs(self, pack: Pack) -> Costs:
        """Costs of the pack with the shop's own figures in their place."""
        own = {
            name: value
            for name in ("currency", "rate_per_hour", "comeback")
            if (value := getattr(self, name)) not in ("", None)
        }
        return structs.replace(pack.costs, **own)


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
    path = settings_path()
    if not path.exists():
        return Settings()
    try:
        table: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        kept = {name: _kept_setting(name, value) for name, value in table.items()}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, InputError) as error:
        raise InputError(f"settings file {path}: {error}") from error
    return structs.replace(Settings(), **kept)


def write_settings(settings: Settings) -> Path:
    """Write the settings file, private to its owner."""
    path = settings_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [
        f"{name} = {_toml(value)}"
        for name, value in structs.asdict(settings).items()
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
    name, _, kind = name.strip().replace("-", "_").partition(".")
    default = _default_of(name)
    value: object = default
    if isinstance(default, dict):
        prices = {k: v for k, v in settings.part_prices.items() if k != kind}
        value = prices | ({kind: _amount(name, text)} if text else {})
    elif text and isinstance(default, tuple):
        value = tuple(text.replace(",", " ").split())
    elif text:
        value = _amount(name, text) if default is None else _one_of(name, text)
    return structs.replace(settings, **{name: value})


def _default_of(name: str) -> object:
    names = Settings.__struct_fields__
    if name not in names:
        raise InputError(f'unknown setting "{name}"{near_match(name, names)}')
    return getattr(Settings(), name)


def _amount(name: str, given: Any) -> float:  # noqa: ANN401  text, or whatever a file holds
    try:
        value = float(given)
    except (TypeError, ValueError):
        raise InputError(f'{name} must be a number, got "{given}"') from None
    if not 0 <= value < float("inf"):
        raise InputError(f"{name} must not be negative, got {given}")
    return value


def _one_of(name: str, text: str) -> str:
    if name == "currency" and not (len(text) == 3 and text.isalpha()):
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
            return _amount(name, value)
        case str(), str():
            return _one_of(name, value) if value else value
        case dict(), dict():
            return {kind: _amount(f"{name}.{kind}", price) for kind, price in value.items()}
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
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        inner = ", ".join(f"{_toml(str(key))} = {_toml(item)}" for key, item in value.items())
        return "{ " + inner + " }"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    return repr(value)


def user_folder(which: str) -> Path:
    """Return the user's own folder for ``"config"`` or ``"data"``."""
    import platformdirs

    folder = platformdirs.user_config_path if which == "config" else platformdirs.user_data_path
    return folder(APP, appauthor=False)

"""What an event may say before it is recorded, as far as physics sets limits."""

from __future__ import annotations

from swapinfer import physics
from swapinfer.ledger import events as ev


def check_limits(event: ev.Event) -> ev.Event:
    """Return an event, refusing one whose numbers no vehicle has.

    Replay does not ask: what was recorded once stays readable.

    Parameters
    ----------
    event : Event
        Of any type.

    Raises
    ------
    InputError
        Naming the number and its limits.
    """
    if ev.is_a(event, ev.Opened):
        for km in (event.odometer_km, event.driven_km, *event.newer.values()):
            if km is not None:
                physics.check_km(km)
        if event.altitude_m is not None:
            physics.check_altitude(event.altitude_m)
        if event.compression_ratio is not None:
            physics.check_ratio(event.compression_ratio)
    elif ev.is_a(event, ev.Ran):
        physics.check_minutes(event.minutes)
        for cylinder, count in event.counts.items():
            physics.check_count(cylinder, count, event.minutes)
    elif ev.is_a(event, ev.Reopened) and event.odometer_km is not None:
        physics.check_km(event.odometer_km)
    return event

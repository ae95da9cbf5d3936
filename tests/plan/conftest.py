from __future__ import annotations

from collections.abc import Callable

import pytest

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.outlook import Outlook
from swapinfer.posterior import infer

MakeOutlook = Callable[..., Outlook]


@pytest.fixture(scope="session")
def pack() -> Pack:
    return load_pack()


@pytest.fixture(scope="session")
def settings(pack: Pack) -> PlanSettings:
    return PlanSettings(pack.costs)


@pytest.fixture(scope="session")
def outlook_of(pack: Pack, settings: PlanSettings) -> MakeOutlook:
    """Outlook of a four-cylinder job with one coil on each plug, after some events."""

    def make(*events: Event, chosen: PlanSettings = settings, believed: Pack = pack) -> Outlook:
        fitment = {"ignition": "coil-on-plug", "fuel": "port"}
        opening = ev.Opened("1001", "inline-4", fitment)
        evidence = gather_evidence(replay(enumerate([opening, *events]), believed))
        return Outlook(evidence, infer(evidence.arrays), chosen)

    return make

"""How long it takes to rank every candidate step of an eight-cylinder job, two steps deep."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable

REPEATS, QUICK_REPEATS = 30, 5


def main(*, quick: bool) -> dict[str, float]:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from swapinfer.evidence.assemble import gather_evidence
    from swapinfer.ledger import events as ev
    from swapinfer.ledger.replay import replay
    from swapinfer.pack.load import load_pack
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.plan.next import make_plan
    from swapinfer.plan.outlook import Outlook
    from swapinfer.posterior import infer

    pack = load_pack()
    opening = ev.Opened("benchmark", "v8", {"ignition": "coil-on-plug", "fuel": "port"})
    job = replay(enumerate([opening, ev.Ran(20.0, (), codes=("P0305",))]), pack)
    evidence = gather_evidence(job)
    posterior = infer(evidence.arrays)
    settings = PlanSettings(pack.costs)

    def timed(work: Callable[[], object]) -> tuple[float, object]:
        start = time.perf_counter()
        result = work()
        return 1e3 * (time.perf_counter() - start), result

    def form() -> Outlook:
        outlook = Outlook(evidence, posterior, settings)
        assert outlook.hypotheses  # noqa: S101 (worked out when asked for)
        return outlook

    rows = []
    for _ in range(QUICK_REPEATS if quick else REPEATS):
        formed, outlook = timed(form)
        assert isinstance(outlook, Outlook)  # noqa: S101
        priced, _ = timed(lambda outlook=outlook: outlook.look_ahead)
        ranked, ranking = timed(outlook.rank)
        told, _ = timed(lambda o=outlook, r=ranking: make_plan(o, r))
        rows.append((formed, priced, ranked, told))
    medians = [statistics.median(column) for column in zip(*rows, strict=True)]
    names = ("belief to hypotheses", "candidates and prices", "two steps of look-ahead", "words")
    print(f"{len(outlook.priced)} candidate steps, {len(outlook.hypotheses.belief_h)} hypotheses\n")
    for name, median in zip(names, medians, strict=True):
        print(f"{name:26}{median:8.1f} ms")
    return {"ms": medians[1] + medians[2], "with_hypotheses_and_words_ms": sum(medians)}

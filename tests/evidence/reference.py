"""A second reading of the model, in plain loops, and the network of a general library built on it.

Nothing here uses the package's evidence or inference code: events and pack go in, a Bayesian
network comes out, and pyAgrum's exact engine answers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pyagrum
from scipy.stats import nbinom, norm

from swapinfer.layout import places_of
from swapinfer.ledger import events as ev
from swapinfer.pack.hazard import mode_prior
from swapinfer.pack.model import Curve, Pack


@dataclass
class Thing:
    """An element: its kind, cylinders when it was made, and states with their weights."""

    name: str
    kind: str
    pattern: str
    cylinders: tuple[int, ...]
    is_new: bool
    states: list[tuple[str, str, int]] = field(default_factory=list)
    prior: list[float] = field(default_factory=list)
    touched: list[int] = field(default_factory=list)
    harmed: list[tuple[int, int, str, float]] = field(default_factory=list)


@dataclass
class Bit:
    """One bit: per element (open, explain, explained) of each state, and the closing weights."""

    weights: dict[str, list[tuple[float, float, float]]]
    close: tuple[float, float]
    log_scale: float = 0.0


class Reference:
    """The model of a job, rebuilt from its events."""

    def __init__(self, pack: Pack, events: list[ev.Event]) -> None:
        self.pack = pack
        opening = events[0]
        assert isinstance(opening, ev.Opened)
        self.opening = opening
        self.layout = pack.layouts[opening.layout]
        self.kinds = {
            k: v
            for k, v in pack.kinds.items()
            if all(opening.fitment[a] in values for a, values in v.fitted.items())
        }
        self.things: dict[str, Thing] = {}
        self.where: dict[str, str] = {}
        for kind in self.kinds.values():
            for place in places_of(self.layout, kind.id, kind.pattern):
                self.things[place.id] = Thing(
                    place.id, kind.id, kind.pattern, place.cylinders, is_new=False
                )
                self.where[place.id] = place.id
        self.home = dict(self.things)
        self.found: list[tuple[int, ev.Event, dict[str, str]]] = []
        for time, event in enumerate(events[1:], start=1):
            self._step(time, event)
        self._make_states()

    def _step(self, time: int, event: ev.Event) -> None:
        if isinstance(event, ev.Swapped):
            for a, b in event.swaps:
                self._touch(time, a)
                self._touch(time, b)
                self.where[a], self.where[b] = self.where[b], self.where[a]
        elif isinstance(event, ev.Reseated):
            self._touch(time, event.place)
        elif isinstance(event, ev.Replaced):
            self._touch(time, event.place)
            old = self.home[event.place]
            name = f"{event.place}.new"
            self.things[name] = Thing(name, old.kind, old.pattern, old.cylinders, is_new=True)
            self.where[event.place] = name
        elif isinstance(event, (ev.Ran, ev.Measured, ev.Inspected)):
            if not isinstance(event, ev.Ran):
                test = self.pack.tests[event.test]
                cylinders = self._target_cylinders(event.target)
                for place, thing in self.home.items():
                    for handling in test.disturbs:
                        if thing.kind == handling.kind and set(thing.cylinders) <= cylinders:
                            self._disturb(time, self.where[place], handling.mode, handling.chance)
            self.found.append((time, event, dict(self.where)))

    def _touch(self, time: int, place: str) -> None:
        centre = self.home[place]
        self._disturb(time, self.where[place], "", 0.0)
        for handling in self.kinds[centre.kind].handling:
            for other, thing in self.home.items():
                if thing.kind == handling.kind and set(thing.cylinders) <= set(centre.cylinders):
                    self._disturb(time, self.where[other], handling.mode, handling.chance)

    def _disturb(self, time: int, name: str, mode: str, chance: float) -> None:
        thing = self.things[name]
        thing.touched.append(time)
        if mode and chance:
            epoch = sum(1 for when, _, _ in self.found if when < time)
            thing.harmed.append((epoch, time, mode, chance))

    def _target_cylinders(self, target: str) -> set[int]:
        if target == "engine":
            return set(self.layout.cylinders)
        if target.startswith("cylinder"):
            return {int(target.removeprefix("cylinder"))}
        if target.startswith("bank") and target not in self.home:
            return set(self.layout.banks[int(target.removeprefix("bank")) - 1])
        return set(self.home[target].cylinders)

    def _make_states(self) -> None:
        driven = self.opening.driven_km
        exposure = self.pack.running.exposure_km if driven is None else driven
        clock = self.opening.odometer_km
        usual = self.pack.running.odometer_km
        for name, thing in self.things.items():
            kind = self.kinds[thing.kind]
            age = (
                usual
                if thing.is_new
                else self.opening.newer.get(name, usual if clock is None else clock)
            )
            chance = {m.id: mode_prior(m, age, exposure) for m in kind.modes.values()}
            total = sum(chance.values())
            scale = kind.new_fault / total if thing.is_new else min(1.0, 0.9 / total)
            for mode in kind.modes.values():
                for severity, share in mode.severity.items():
                    if share:
                        thing.states.append((mode.id, severity, -1))
                        thing.prior.append(chance[mode.id] * scale * share)
            good = 1.0 - sum(thing.prior)
            grouped: dict[tuple[str, int], list[tuple[int, float]]] = {}
            for epoch, time, mode_id, probability in thing.harmed:
                grouped.setdefault((mode_id, epoch), []).append((time, probability))
            for (mode_id, _), hits in grouped.items():
                spared = math.prod(1.0 - p for _, p in hits)
                for severity, share in kind.modes[mode_id].severity.items():
                    if share:
                        thing.states.append((mode_id, severity, hits[-1][0]))
                        thing.prior.append(good * (1.0 - spared) * share)
                good *= spared
            thing.prior.insert(0, good)
            thing.states.insert(0, ("good", "", -1))

    def active(self, thing: Thing, state: int, time: int) -> bool:
        mode, _, onset = thing.states[state]
        if state == 0 or onset > time:
            return False
        if self.kinds[thing.kind].modes[mode].cured_by_disturbance:
            return not any(onset < touch <= time for touch in thing.touched)
        return True

    def order(self) -> list[str]:
        """Names in the order in which "the first cause present" is decided."""
        along = [c for bank in self.layout.banks for c in bank]
        kinds = list(self.kinds)
        rank = {"engine": 0, "bank": 1}

        def key(name: str) -> tuple[int, int, int, str]:
            thing = self.things[name]
            first = min(along.index(c) for c in thing.cylinders)
            return rank.get(thing.pattern, 2), first, kinds.index(thing.kind), name

        return sorted(self.things, key=key)

    # What each finding says

    def episodes(
        self, run: ev.Ran, time: int, where: dict[str, str]
    ) -> dict[str, list[dict[int, float]]]:
        """Expected episodes per element, state and cylinder."""
        out = {}
        place_of = {element: place for place, element in where.items()}
        share = self.pack.running.misattribution
        for name, thing in self.things.items():
            served = self.home[place_of[name]].cylinders if name in place_of else ()
            rows = []
            for s, (mode_id, severity, _) in enumerate(thing.states):
                row = dict.fromkeys(self.layout.cylinders, 0.0)
                if self.active(thing, s, time):
                    mode = self.kinds[thing.kind].modes[mode_id]
                    rate = self.pack.severities[severity].rate_per_min * mode.misfire
                    for tag in run.conditions:
                        rate *= mode.when.get(tag, 1.0)
                    for c in served:
                        before, after = self.layout.firing_neighbours(c)
                        row[c] += rate * run.minutes * (1 - 2 * share)
                        row[before] += rate * run.minutes * share
                        row[after] += rate * run.minutes * share
                rows.append(row)
            out[name] = rows
        return out

    def noisy_or(self, means: dict[str, list[float]], close: tuple[float, float]) -> Bit:
        return Bit(
            {n: [(math.exp(-m), 1 - math.exp(-m), 1.0) for m in row] for n, row in means.items()},
            close,
        )

    def complaint(self) -> Bit:
        running = self.pack.running
        driven = self.opening.driven_km
        minutes = running.complaint_minutes if driven is None else driven / running.km_per_min
        originals = {place: place for place in self.home}
        means = self.episodes(ev.Ran(minutes), 0, originals)
        total = {n: [sum(row.values()) for row in rows] for n, rows in means.items()}
        word = self.pack.feelings["complaint"]
        return self.noisy_or(total, (word.without, word.with_misfire))

    def of_run(
        self, run: ev.Ran, time: int, where: dict[str, str]
    ) -> tuple[list[Bit], dict[str, list[float]]]:
        """Bits, and the product of single-element weights, of a run with codes or counts."""
        running = self.pack.running
        means = self.episodes(run, time, where)
        weight = {n: [1.0] * len(t.states) for n, t in self.things.items()}
        bits = []
        if run.counts:
            for c, count in run.counts.items():
                bits.append(self._count_bit(means, c, count, run.minutes))
            return bits, weight
        leak = 1 - math.exp(-running.leak_per_min * run.minutes)
        named = {
            int(code[3:]) for code in run.codes or () if code.startswith("P03") and code != "P0300"
        }
        for c in self.layout.cylinders:
            column = {n: [row[c] for row in rows] for n, rows in means.items()}
            if c in named:
                bits.append(self.noisy_or(column, (leak, 1.0)))
            else:
                for n, row in column.items():
                    weight[n] = [w * math.exp(-m) for w, m in zip(weight[n], row, strict=True)]
        self._absent_codes(run, time, where, weight)
        return bits, weight

    def _absent_codes(
        self, run: ev.Ran, time: int, where: dict[str, str], weight: dict[str, list[float]]
    ) -> None:
        """No fault code is ever present in these jobs; each possible one counts as absent."""
        for code in self.pack.codes.values():
            if code.role != "fault" or not any(kind in self.kinds for kind, _, _ in code.sets):
                continue
            for cylinders in self.layout.groups(code.pattern):
                for place, name in where.items():
                    if set(self.home[place].cylinders) & set(cylinders):
                        self._spare(run, time, name, code.sets, weight)

    def _spare(self, run, time, name, sets, weight) -> None:  # noqa: ANN001
        thing = self.things[name]
        for s, (mode_id, severity, _) in enumerate(thing.states):
            if not self.active(thing, s, time):
                continue
            chance = 0.0
            for kind, mode, p in sets:
                if kind == thing.kind and mode in (mode_id, "*"):
                    chance = p
            rate = self.pack.severities[severity].rate_per_min
            for tag in run.conditions:
                rate *= self.kinds[thing.kind].modes[mode_id].when.get(tag, 1.0)
            weight[name][s] *= 1 - chance * (1 - math.exp(-rate * run.minutes))

    def _count_bit(
        self, means: dict[str, list[dict[int, float]]], c: int, count: int, minutes: float
    ) -> Bit:
        def law(mean: float, size: float) -> object:
            return nbinom(size, size / (size + mean))

        running = self.pack.running
        rest = law(running.leak_counts_per_min * minutes, running.leak_dispersion)
        weights = {}
        for name, rows in means.items():
            out = []
            for s, row in enumerate(rows):
                if s == 0:
                    out.append((float(count > 0), float(count == 0), 1.0))
                    continue
                severity = self.pack.severities[self.things[name].states[s][1]]
                own = law(severity.counts_per_min * minutes, severity.dispersion)
                quiet = math.exp(-row[c])
                below = (quiet if count else 0.0) + (1 - quiet) * (
                    own.cdf(count - 1) if count else 0.0
                )
                exactly = (0.0 if count else quiet) + (1 - quiet) * own.pmf(count)
                out.append((below, exactly, below + exactly))
            weights[name] = out
        return Bit(weights, (rest.pmf(count), rest.cdf(count)))

    def of_test(
        self, event: ev.Measured | ev.Inspected, time: int, where: dict[str, str], level: float
    ) -> Bit:
        """A test as a bit; the first cause present in element order decides."""
        test = self.pack.tests[event.test]
        cylinders = self._target_cylinders(event.target)
        if test.remembers:
            (number,) = cylinders
            part = where[f"{test.remembers}{number}"]
            cylinders, where = self._last_ran(part, time, cylinders, where)
        likelihood = {p: self._likelihood(test, p, event, level) for p in test.profiles}
        before = self._just_before(time)
        if isinstance(before, ev.Inspected) and before.test == event.test:
            stays = (1 - test.fresh) * float(before == event)
            likelihood = {p: stays + test.fresh * value for p, value in likelihood.items()}
        largest = max(likelihood.values())
        weights = {}
        for place, name in where.items():
            inside = (
                place == event.target
                if event.target in self.home
                else bool(set(self.home[place].cylinders) & cylinders)
            )
            if not inside:
                continue
            thing = self.things[name]
            rows = []
            for s, (mode_id, severity, _) in enumerate(thing.states):
                profile = self._profile(test, thing.kind, mode_id)
                if profile == "good" or not self.active(thing, s, time):
                    rows.append((1.0, 0.0, 1.0))
                    continue
                shows = test.shows.get(severity, 1.0)
                rows.append((1 - shows, shows * likelihood[profile] / largest, 1.0))
            weights[name] = rows
        return Bit(weights, (likelihood["good"] / largest, 1.0), math.log(largest))

    def _last_ran(
        self, part: str, time: int, cylinders: set[int], where: dict[str, str]
    ) -> tuple[set[int], dict[str, str]]:
        """Cylinders that a part served in the run before, and what else was fitted in it."""
        ran = [
            then for when, event, then in self.found if when < time and isinstance(event, ev.Ran)
        ]
        for then in [{place: place for place in self.home}, *ran]:
            for place, name in then.items():
                if name == part:
                    cylinders, where = set(self.home[place].cylinders), then
        return cylinders, where

    @staticmethod
    def _profile(test, kind: str, mode: str) -> str:  # noqa: ANN001
        for wanted in ((kind, mode), ("*", mode), (kind, "*"), ("*", "*")):
            for sight in test.sees:
                if (sight.kind, sight.mode) == wanted:
                    return sight.profile
        return "good"

    def _just_before(self, time: int) -> ev.Event | None:
        """Finding that stands directly before; enough for the jobs that are compared."""
        return next((event for when, event, _ in self.found if when == time - 1), None)

    @staticmethod
    def _likelihood(test, profile: str, event: ev.Measured | ev.Inspected, level: float) -> float:  # noqa: ANN001
        shape = test.profiles[profile]
        if isinstance(event, ev.Inspected):
            return (1 - test.floor) * shape.get(event.outcome, 0.0) + test.floor / len(
                test.outcomes
            )
        assert isinstance(shape, Curve)
        if math.isinf(event.value):
            return (1 - test.floor) * shape.over_limit + test.floor
        low, high = test.range
        value = event.value - (event.reference or 0.0) if test.reference else event.value
        if test.scale == "log":
            at, even = math.log(max(value, low) / level), 1 / math.log(high / low)
            density = sum(w * norm.pdf(at, math.log(m), sd) for w, m, sd in shape.lobes)
        else:
            at, even = value / level, 1 / (high - low)
            density = sum(w * norm.pdf(at, m, sd) for w, m, sd in shape.lobes)
        return (1 - test.floor) * density + test.floor * even

    # The network

    def everything(self, level: float) -> tuple[list[Bit], dict[str, list[float]]]:
        bits = [self.complaint()]
        weight = {n: [1.0] * len(t.states) for n, t in self.things.items()}
        for time, event, where in self.found:
            if isinstance(event, ev.Ran):
                more, unary = self.of_run(event, time, where)
                bits += more
                for n, row in unary.items():
                    weight[n] = [a * b for a, b in zip(weight[n], row, strict=True)]
            elif isinstance(event, (ev.Measured, ev.Inspected)):
                bits.append(self.of_test(event, time, where, level))
        return bits, weight

    def marginals(self, levels: list[tuple[float, float]]) -> dict[str, list[float]]:
        """Posterior of every element by pyAgrum, averaged over level nodes (value, weight)."""
        total: dict[str, list[float]] = {}
        evidence = []
        for value, _ in levels:
            evidence.append(self._solve(value))
        best = max(log for log, _ in evidence)
        mass = [w * math.exp(log - best) for (_, w), (log, _) in zip(levels, evidence, strict=True)]
        for share, (_, answers) in zip(mass, evidence, strict=True):
            for name, row in answers.items():
                old = total.setdefault(name, [0.0] * len(row))
                total[name] = [a + share / sum(mass) * b for a, b in zip(old, row, strict=True)]
        return total

    def _solve(self, level: float) -> tuple[float, dict[str, list[float]]]:
        bits, weight = self.everything(level)
        net = pyagrum.BayesNet()
        order = self.order()
        for i, name in enumerate(order):
            net.add(pyagrum.LabelizedVariable(f"e{i}", "", len(self.things[name].states)))
            net.cpt(f"e{i}").fillWith(self.things[name].prior)
        evidence: dict[str, object] = {}
        for i, name in enumerate(order):
            if any(w != weight[name][0] for w in weight[name]):
                evidence[f"e{i}"] = [w / max(weight[name]) for w in weight[name]]
        for b, bit in enumerate(bits):
            self._add_bit(net, b, bit, order)
            evidence[f"z{b}"] = 1
        engine = pyagrum.LazyPropagation(net)
        engine.setEvidence(evidence)
        engine.makeInference()
        scale = sum(math.log(max(weight[n])) for n in order) + sum(bit.log_scale for bit in bits)
        answers = {n: list(engine.posterior(f"e{i}").tolist()) for i, n in enumerate(order)}
        return math.log(engine.evidenceProbability()) + scale, answers

    def _add_bit(self, net: pyagrum.BayesNet, b: int, bit: Bit, order: list[str]) -> None:
        """Chain of nodes open (0), explained (1), excluded (2) along the elements reached."""
        lost = any(
            1 - open_ - explain > 1e-12 or explained != 1.0
            for rows in bit.weights.values()
            for open_, explain, explained in rows
        )
        before = ""
        for i, name in enumerate(order):
            rows = bit.weights.get(name, [])
            if all(row == (1.0, 0.0, 1.0) for row in rows):
                continue
            node = f"b{b}_{i}"
            net.add(pyagrum.LabelizedVariable(node, "", 3 if lost else 2))
            if before:
                net.addArc(before, node)
            net.addArc(f"e{i}", node)
            for s, row in enumerate(rows):
                self._fill(net, node, {f"e{i}": s}, before, row, lost=lost)
            before = node
        net.add(pyagrum.LabelizedVariable(f"z{b}", "", 2))
        net.addArc(before, f"z{b}")
        for state, p in enumerate((*bit.close, 0.0)[: 3 if lost else 2]):
            net.cpt(f"z{b}")[{before: state}] = [1 - p, p]

    @staticmethod
    def _fill(
        net: pyagrum.BayesNet,
        node: str,
        at: dict[str, int],
        before: str,
        row: tuple[float, float, float],
        *,
        lost: bool,
    ) -> None:
        open_, explain, explained = row
        rest = [max(0.0, 1 - open_ - explain)] if lost else []
        if not before:
            net.cpt(node)[at] = [open_, explain, *rest]
            return
        net.cpt(node)[{**at, before: 0}] = [open_, explain, *rest]
        if lost:
            net.cpt(node)[{**at, before: 1}] = [0.0, explained, max(0.0, 1 - explained)]
            net.cpt(node)[{**at, before: 2}] = [0.0, 0.0, 1.0]
        else:
            net.cpt(node)[{**at, before: 1}] = [0.0, 1.0]

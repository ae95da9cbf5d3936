"""What the complaint and the runs say."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from independent.priors import Table, by_mode
from independent.replay import Finding, Job
from independent.states import Array, State, States
from independent.summing import Bit
from scipy.stats import nbinom, norm, poisson

Share = Callable[[Table, Table, float, int, float, float], float]

MOST_SUPPOSED = 6
MOST_WITH_LOTS = 6


@dataclass
class Episodes:
    """Mean numbers in a run: of its own in each cylinder, and of what serves all."""

    own: dict[int, Array]
    shared_s: Array
    hit: float

    def u_s(self, k: int) -> Array:
        """Chance that shared episodes leave ``k`` cylinders alone."""
        none_s = np.exp(-self.shared_s)
        return none_s - np.expm1(-self.shared_s) * (1.0 - self.hit) ** k

    def own_in(self, cylinders: Iterable[int]) -> Array:
        """Sum over some cylinders."""
        return np.sum([self.own[c] for c in cylinders], axis=0)


@dataclass
class Coded:
    """A run whose codes speak of some cylinders."""

    episodes: Episodes
    cylinders: tuple[int, ...]
    misfired: frozenset[int]
    minutes: float
    fitted: dict[str, str]

    @property
    def likeness(self) -> tuple[Any, ...]:
        return tuple(sorted(self.fitted.items())), self.cylinders, self.misfired


class Runs:
    """All runs of a job as factors (``log_s`` and a constant), bits, and bits that depend."""

    def __init__(self, job: Job, states: States) -> None:
        self.job, self.states, self.running = job, states, job.priors["running"]
        self.log_s, self.log_constant = np.zeros(len(states.states)), 0.0
        km = job.opening.get("driven_km")
        self.bits = [self._complaint(km, {p: p for p in job.places}, 0)]
        self.coded: list[Coded] = []
        self.is_found_before = False
        for finding in job.findings:
            if finding.event["type"] == "ran":
                self._take(finding)
            elif finding.event["type"] == "scanned":
                self._take_stored(finding)
        for finding, km in job.returns:
            self.bits.append(self._complaint(km, finding.fitted, finding.time))
        several = [run.likeness for run in self.coded if len(run.misfired) > 1]
        self.supposed = list(dict.fromkeys(several))[:MOST_SUPPOSED]
        for run in self.coded:
            self._read_codes(run)

    def bits_supposing(self, occurred: dict[Any, bool]) -> list[Bit]:
        """Make the bits of drives for which it is supposed what served all cylinders."""
        bits = []
        for run in self.coded:
            if run.likeness in occurred:
                shared_s = run.episodes.shared_s
                missed = (1.0 - run.episodes.hit) ** (len(run.cylinders) - len(run.misfired))
                close = (0.0, missed) if occurred[run.likeness] else (1.0, 0.0)
                bits.append(_at_least_one(shared_s, *close))
                leak = self._leak(run.minutes)
                if occurred[run.likeness]:
                    leak = 1.0 - (1.0 - leak) * (1.0 - run.episodes.hit)
                bits += [_at_least_one(run.episodes.own[c], leak) for c in sorted(run.misfired)]
        return bits

    def lots(self) -> list[str]:
        """Kinds made in lots of which two or more served a cylinder that misfired."""
        counted = {run.likeness: len(run.misfired) for run in self.coded}
        if sum(counted.values()) > MOST_WITH_LOTS:
            return []
        served: dict[str, set[str]] = {}
        for run in self.coded:
            for place, name in run.fitted.items():
                element = self.job.elements[name]
                if not element.is_new and set(self.job.places[place].cylinders) & run.misfired:
                    served.setdefault(element.home.kind, set()).add(name)
        return [
            kind
            for kind, names in served.items()
            if len(names) > 1 and self.job.kinds[kind].get("lot_spread", 1.0) > 1.0
        ]

    def _episodes(
        self, minutes: float, conditions: list[str], fitted: dict[str, str], time: int
    ) -> Episodes:
        states, running = self.states, self.running
        mean_s = self._rate_s(conditions, misfire=True) * states.active_s(time) * minutes
        cylinders, share = self.job.cylinders, running["misattribution"]
        serving = states.serving(fitted)
        is_shared = [len(cylinders) > 1 and set(c) == set(cylinders) for c in serving]
        own = {}
        for c in cylinders:
            before, after = self.job.firing_neighbours(c)
            part = [
                0.0
                if is_shared[e]
                else (1.0 - 2.0 * share) * (c in served)
                + share * (before in served)
                + share * (after in served)
                for e, served in enumerate(serving)
            ]
            own[c] = mean_s * states.spread(part)
        return Episodes(own, mean_s * states.spread(is_shared), running["together"])

    def _rate_s(self, conditions: list[str], *, misfire: bool) -> Array:
        severities = self.job.priors["severity"]

        def rate(_kind: str, state: State, mode: Table) -> float:
            factors = [mode.get("when", {}).get(tag, 1.0) for tag in conditions]
            factors.append(mode.get("misfire", 1.0) if misfire else 1.0)
            return float(severities[state.severity]["rate_per_min"] * np.prod(factors))

        return self.states.of_faults(rate)

    def _leak(self, minutes: float, cylinders: int = 1) -> float:
        return float(-np.expm1(-self.running["leak_per_min"] * minutes * cylinders))

    def _complaint(self, km: float | None, fitted: dict[str, str], time: int) -> Bit:
        running = self.running
        minutes = running["complaint_minutes"] if km is None else km / running["km_per_min"]
        return self._word("complaint", self._episodes(minutes, [], fitted, time), 0.0)

    def _word(self, word: str, episodes: Episodes, leak: float, seen: float = 1.0) -> Bit:
        quiet_s = np.exp(-episodes.own_in(self.job.cylinders))
        quiet_s = quiet_s * episodes.u_s(len(self.job.cylinders))
        chance = self.job.priors["feeling"][word]
        w1, w0 = seen * chance["with_misfire"], chance["without"]
        return Bit(quiet_s, 1.0 - quiet_s, np.ones_like(quiet_s), w0 * (1 - leak) + w1 * leak, w1)

    def _take(self, finding: Finding) -> None:
        event, minutes = finding.event, finding.event["minutes"]
        conditions = event.get("conditions", [])
        episodes = self._episodes(minutes, conditions, finding.fitted, finding.time)
        noticed = episodes
        if self.job.priors["feeling"].get(event.get("felt"), {}).get("hard"):
            noticed = _scaled(episodes, self._share_s(_share_that_blinks, conditions, minutes))
        counts = {int(c): n for c, n in event.get("counts", {}).items()}
        for c, count in counts.items():
            self._count(episodes.own[c] + episodes.hit * episodes.shared_s, count, minutes)
        if event.get("codes") is not None:
            self._take_codes(finding, episodes, noticed, counts)
        elif not counts and event.get("suspected"):
            right, leak = self.running["suspected_right"], self._leak(minutes)
            for c in event["suspected"]:
                mean_s = episodes.own[c] + episodes.hit * episodes.shared_s
                self.bits.append(_at_least_one(mean_s, (1 - right) * (1 - leak) + leak))
        elif not counts and event.get("felt"):
            leak = self._leak(minutes, len(self.job.cylinders))
            self.bits.append(self._word(event["felt"], noticed, leak))

    def _take_codes(
        self, finding: Finding, episodes: Episodes, noticed: Episodes, counts: dict[int, int]
    ) -> None:
        event, minutes = finding.event, finding.event["minutes"]
        conditions = event.get("conditions", [])
        felt = self.job.priors["feeling"].get(event.get("felt"))
        codes = [code[:5].upper() for code in (*event["codes"], *event.get("pending", ()))]
        self._fault_codes(finding, set(codes))
        unread = tuple(c for c in self.job.cylinders if c not in counts)
        named = {c for c in self.job.cylinders if self._numbered("misfire", c) in codes}
        roles = {self._numbered(f): about["role"] for f, about in self._families().items()}
        is_known = bool(named) or any(roles.get(code) == "random" for code in codes)
        share_s = self._share_s(_share_that_sets, conditions, minutes)
        if self._is_first_and_confirmed_only(finding):
            at_once = self.job.priors["monitor"]["confirmed_at_once"]
            share_s = at_once * self._share_s(_share_that_blinks, conditions, minutes)
        self.is_found_before = is_known
        if not counts and not is_known and felt and felt["with_misfire"] > felt["without"]:
            leak, unseen = self._leak(minutes, len(unread)), self.running["unseen"]
            self.bits.append(self._word(event["felt"], noticed, leak, unseen))
            return
        episodes = _scaled(episodes, share_s)
        if unread and not named and is_known:
            self.bits.append(self._unnamed(episodes, unread, minutes))
        elif unread:
            misfired = frozenset(named & set(unread))
            self.coded.append(Coded(episodes, unread, misfired, minutes, finding.fitted))

    def _take_stored(self, finding: Finding) -> None:
        """Take in what was stored when the vehicle first came in."""
        event, every = finding.event, self.job.cylinders
        codes = {code: name for name in ("codes", "pending") for code in event.get(name) or ()}
        lasting = [code for code in event.get("permanent", ()) if code not in codes]
        word = event.get("memory", "cleared" if lasting and not codes else "unknown")
        memory = self.job.priors["memory"][word]
        minutes, frame = memory["minutes"], event.get("frame", [])
        whole = self._episodes(minutes, frame, finding.fitted, 0)
        episodes = _scaled(whole, self._share_s(_share_that_sets, frame))
        drive = {"minutes": minutes, "conditions": frame}
        kept = 1.0 - memory["missed"]
        self._fault_codes(Finding(0, drive, finding.fitted), set(codes), kept)
        named = frozenset(c for c in every if self._numbered("misfire", c) in codes)
        out = self._take_counters(finding)
        roles = {self._numbered(f): about["role"] for f, about in self._families().items()}
        is_unnamed = not named and any(roles.get(code) == "random" for code in codes)
        stale = memory["stale"]
        if len(named) == 1 or is_unnamed:
            complaint = self.job.priors["feeling"]["complaint"]
            stale *= complaint["without"] / complaint["with_misfire"]
            del self.bits[0]
        longer = minutes - np.log1p(-stale) / self.running["leak_per_min"]
        if is_unnamed:
            self.bits.append(self._unnamed(episodes, every, longer))
        elif named:
            rest = tuple(c for c in every if c not in out)
            self.coded.append(Coded(episodes, rest, named - out, longer, finding.fitted))
        else:
            leak, missed = self._leak(minutes, len(every)), memory["missed"]
            quiet_s = np.exp(-episodes.own_in(every)) * episodes.u_s(len(every))
            close = 1.0 - leak + missed * leak
            self.bits.append(Bit(quiet_s, 1.0 - quiet_s, np.ones_like(quiet_s), close, missed))
        right = self.running["suspected_right"]
        for c in every:
            if self._numbered("misfire", c) in lasting:
                leak = self._leak(minutes, len(every))
                mean_s = episodes.own[c] + episodes.hit * episodes.shared_s
                self.bits.append(_at_least_one(mean_s, (1 - right) * (1 - leak) + leak))

    def _take_counters(self, finding: Finding) -> frozenset[int]:
        """Take in counters of an arrival, and say which stand out."""
        counts = {int(c): n for c, n in finding.event.get("counts", {}).items()}
        known = finding.event.get("since_start")
        minutes = known or self.job.priors["monitor"]["cycle_minutes"]
        most = 3 + 4 * self.running["leak_counts_per_min"] * minutes
        episodes = self._episodes(minutes, [], finding.fitted, 0)
        for c, count in counts.items():
            if known or count > most:
                mean_s = episodes.own[c] + episodes.hit * episodes.shared_s
                self._count(mean_s, count, minutes)
        return frozenset(c for c, count in counts.items() if count > most)

    def _is_first_and_confirmed_only(self, finding: Finding) -> bool:
        """Whether pending codes were not read after a first cycle."""
        event = finding.event
        if event["codes"] or event.get("pending") is not None or event.get("counts"):
            return False
        ran = [f.time for f in self.job.findings if f.event["type"] == "ran"]
        before = max((time for time in ran if time < finding.time), default=None)
        if before is None or self.is_found_before:
            return True
        return any(before < time < finding.time for time in self.job.worked_at)

    def _share_s(self, of: Share, conditions: list[str], minutes: float = 0.0) -> Array:
        """Share of the episodes of each state of which something comes; in a usual cycle."""
        monitor, n = self.job.priors["monitor"], len(self.job.cylinders)
        rpm = next(v for tag, v in monitor["rpm"].items() if tag in (*conditions, "otherwise"))
        severities = self.job.priors["severity"]

        def share(_kind: str, state: State, mode: Table) -> float:
            one = severities[state.severity]
            factors = [mode.get("when", {}).get(tag, 1.0) for tag in conditions]
            rate = one["rate_per_min"] * mode.get("misfire", 1.0) * float(np.prod(factors))
            cycle = minutes or monitor["cycle_minutes"]
            return of(monitor, one, rate, n, rpm, cycle) if rate else 0.0

        return self.states.of_faults(share)

    def _read_codes(self, run: Coded) -> None:
        """Take in what does not depend on a supposition."""
        quiet, episodes = set(run.cylinders) - run.misfired, run.episodes
        leak = self._leak(run.minutes)
        self.log_s = self.log_s - sum(episodes.own[c] for c in quiet)
        self.log_constant += len(quiet) * np.log1p(-leak)
        if run.likeness in self.supposed:
            return
        if len(run.misfired) > 1:
            self.log_s = self.log_s + np.log(episodes.u_s(len(quiet)))
            for c in sorted(run.misfired):
                mean_s = episodes.own[c] + episodes.hit * episodes.shared_s
                self.bits.append(_at_least_one(mean_s, leak))
        elif not run.misfired:
            self.log_s = self.log_s + np.log(episodes.u_s(len(run.cylinders)))
        else:
            own_s = np.exp(-episodes.own_in(run.misfired))
            a_s = own_s * episodes.u_s(len(run.cylinders))
            c_s = episodes.u_s(len(quiet))
            self.bits.append(Bit(a_s, c_s - a_s, c_s, leak, 1.0))

    def _unnamed(self, episodes: Episodes, cylinders: tuple[int, ...], minutes: float) -> Bit:
        unnamed = self.running["unnamed"]
        own_s, u_s = np.exp(-episodes.own_in(cylinders)), episodes.u_s(len(cylinders))
        b_s = unnamed * (1.0 - own_s) + (1.0 - u_s)
        leak = unnamed * self._leak(minutes, len(cylinders))
        return Bit(own_s * u_s, b_s, np.ones_like(b_s), leak, 1.0)

    def _count(self, mean_s: Array, count: int, minutes: float) -> None:
        """Take in a counter: the largest of the causes' counts and the background."""

        severities, running = self.job.priors["severity"], self.running
        of = {
            name: _counted(one["counts_per_min"] * minutes, one["dispersion"], count)
            for name, one in severities.items()
        }
        below = self.states.of_faults(lambda _kind, state, _mode: of[state.severity][0])
        upto = self.states.of_faults(lambda _kind, state, _mode: of[state.severity][1])
        rest = _counted(running["leak_counts_per_min"] * minutes, running["leak_dispersion"], count)
        quiet_s = np.exp(-mean_s)
        c_s = quiet_s + (1.0 - quiet_s) * upto
        a_s = (quiet_s + (1.0 - quiet_s) * below) * (count > 0)
        self.bits.append(Bit(a_s, c_s - a_s, c_s, rest[1] - rest[0], rest[1]))

    def _families(self) -> dict[str, Table]:
        """Families of codes with a cause, if they name any, that the engine has."""
        return {
            name: about
            for name, about in self.job.priors["code"].items()
            if not about.get("sets") or set(about["sets"]) & set(self.job.kinds)
        }

    def _numbered(self, family: str, number: int = 1) -> str:
        about = self.job.priors["code"][family]
        return f"P{about['first'] + (number - 1) * max(about.get('step', 0), 1):04d}"

    def _fault_codes(self, finding: Finding, present: set[str], kept: float = 1.0) -> None:
        event, states = finding.event, self.states
        rate_s = self._rate_s(event.get("conditions", []), misfire=False)
        shown_s = -np.expm1(-rate_s * states.active_s(finding.time) * event["minutes"])
        serving = states.serving(finding.fitted)
        for family, about in self._families().items():
            if about["role"] != "fault":
                continue
            sets = by_mode(about["sets"])
            chance_s = shown_s * states.of_faults(lambda k, s, _m, sets=sets: _sets(sets, k, s))
            for number, cylinders in enumerate(self.job.groups(about["pattern"]), start=1):
                within_s = states.spread([bool(served & set(cylinders)) for served in serving])
                one_s = kept * chance_s * within_s
                if self._numbered(family, number) in present:
                    ones = np.ones_like(one_s)
                    self.bits.append(Bit(1.0 - one_s, one_s, ones, about["false_chance"], 1.0))
                else:
                    self.log_s = self.log_s + np.log1p(-one_s)
                    self.log_constant += np.log1p(-about["false_chance"])


def _scaled(episodes: Episodes, share_s: Array) -> Episodes:
    own = {c: mean_s * share_s for c, mean_s in episodes.own.items()}
    return Episodes(own, episodes.shared_s * share_s, episodes.hit)


def _above(one: Table, minutes: Array | float, window: float, limit: Array | float) -> Array:
    """Chance that an episode with so many minutes left of a window fails more of it than a limit.

    Nothing fails more firings than there are.
    """
    filled = (1.0 - np.exp(-minutes / one["episode_minutes"])) * one["episode_minutes"] / window
    spread = np.log(one["share_spread"])
    above = norm.sf(np.log(limit), np.log(one["share"] * filled), spread)
    return np.where(filled > limit, above, 0.0)


def _share_that_sets(
    monitor: Table, one: Table, rate: float, cylinders: int, rpm: float, cycle: float
) -> float:
    """Chance of no code in a cycle, by the mixture that the number of bad windows is."""
    long, short = monitor["revolutions"] / rpm, monitor["catalyst_revolutions"] / rpm
    hot = float(_above(one, short, short, monitor["catalyst_share"] * cylinders))
    left = long * (1.0 - (np.arange(5) + 0.5) / 5)
    limit = monitor["share"] * cylinders
    at_first = _above(one, left, long, limit)
    then = _above(one, long, long, limit) * np.exp(-left / one["episode_minutes"])
    mild = max(float(np.maximum(at_first, then).mean()) - hot, 0.0)
    judged = np.floor(cycle / long + 1e-9) * long
    most, go_on = monitor["exceedances"] - 1, float(np.exp(-long / one["episode_minutes"]))
    few = sum(
        poisson.pmf(n, rate * mild * (judged - min(long, judged)))
        * (1.0 if n == 0 else nbinom.cdf(most - n, n, 1.0 - go_on))
        for n in range(most + 1)
    )
    started = max(float(at_first.mean()) - hot, 0.0) * min(long, judged)
    unset = np.exp(-rate * (hot * cycle + started)) * few
    return min(float(-np.log(unset) / (rate * cycle)), 1.0)


def _share_that_blinks(
    monitor: Table, one: Table, rate: float, cylinders: int, rpm: float, cycle: float
) -> float:
    """Chance that no window overheats the catalyst, over nine thresholds that are as likely."""
    short = monitor["catalyst_revolutions"] / rpm
    middle, spread = np.log(monitor["catalyst_share"]), np.log(monitor["catalyst_spread"])
    limits = np.exp(norm.ppf((np.arange(9) + 0.5) / 9, middle, spread))
    unseen = np.exp(-rate * cycle * _above(one, short, short, limits * cylinders)).mean()
    return float(-np.log(unseen) / (rate * cycle))


def _counted(mean: float, size: float, count: int) -> tuple[float, float]:
    """Chance of fewer, and of no more, under a negative binomial."""
    law = nbinom(size, size / (size + mean))
    return float(law.cdf(count - 1)), float(law.cdf(count))


def _sets(sets: list[tuple[str, str, float]], kind: str, state: State) -> float:
    return next((p for k, mode, p in sets if k == kind and mode in (state.mode, "*")), 0.0)


def _at_least_one(mean_s: Array, is_open: float, is_explained: float = 1.0) -> Bit:
    return Bit(np.exp(-mean_s), -np.expm1(-mean_s), np.ones_like(mean_s), is_open, is_explained)

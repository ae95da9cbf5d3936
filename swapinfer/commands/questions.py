"""Questions at the bay, each a generator: a question out, an answer in, events at the end."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias, TypeVar

from msgspec import structs

from swapinfer.bus.scan import Reading
from swapinfer.commands.drive import check_run, check_scanned
from swapinfer.commands.findings import Typist, find_target, target_values
from swapinfer.commands.shop import Settings
from swapinfer.commands.typed import (
    NOT_TAKEN,
    Asking,
    Question,
    ask,
    ask_choice,
    ask_quantity,
    decimal,
    parts,
)
from swapinfer.commands.vehicle import as_stored, read_vehicle, run_found
from swapinfer.errors import (
    DoubtError,
    InputError,
    SwapinferError,
    known_word,
    missing_extra,
    one_word,
)
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label, target_label
from swapinfer.pack.model import UNKNOWN, Test
from swapinfer.pack.money import check_amount
from swapinfer.plan.actions import READ, Action, work_events
from swapinfer.plan.verifying import Proof, missing_words
from swapinfer.units import to_unit

FELT, LATER, BUS = "v", "w", "r"
"""What a drive may be answered by, beside codes."""

VERIFIED, CLOSED, DRIVE, STAYS = "verified", "closed", "drive", "stays"
"""How a job that might end goes on."""

T = TypeVar("T")
Events: TypeAlias = list[Event]
Judge: TypeAlias = Callable[[Events, Sequence[str]], tuple[Proof, list[str]]]


def ask_step(job: Job, action: Action, settings: Settings) -> Asking[Events]:
    """Ask how a planned step went."""
    if action.kind == "test":
        return (yield from ask_test(job, job.engine.tests[action.test], action.targets, settings))
    if action.kind == READ:
        return (yield from ask_stored(job, settings.adapter))
    done: Events = [ev.Returned()] if action.kind == "put-back" else work_events(action)
    if not action.drive_minutes:
        return (yield from ask_choice("How did it go?", [(done, "done")], "1"))
    ran = yield from ask_run(
        job, action.drive_minutes, action.conditions, settings.adapter, later=bool(done)
    )
    return [*done, *ran]


def _price(text: str) -> float | None:
    if text == NOT_TAKEN:
        return None
    try:
        price = decimal(re.sub(r"^[^\d.,+-]{1,4}|[^\d.,]{1,4}$", "", text))
    except InputError:
        raise InputError(
            f'"{text}" is no price; type an amount, or Enter to leave it out'
        ) from None
    check_amount("a price", price)
    return price


def ask_run(
    job: Job,
    minutes: float,
    conditions: tuple[str, ...] = (),
    adapter: str = "",
    *,
    later: bool = False,
) -> Asking[Events]:
    """Ask what a drive showed; no event when it is still to come."""
    choices = [
        *_code_choices(job, "codes read, pending ones too: none set", adapter),
        (FELT, "no codes read; it was felt or heard, or nothing showed"),
        *([(LATER, "work done, not driven yet")] if later else []),
    ]
    text = "Done, and driven: what did it show?" if later else "What did the drive show?"

    def read(text: str) -> ev.Ran | str:
        word = text.lower()
        if word == BUS and adapter:
            return check_run(job, run_found(_scan(adapter), minutes, conditions))
        if word in {key for key, _ in choices if len(key) == 1 and key.isalpha()}:
            return word
        codes = _codes(job, text)
        return ev.Ran(minutes, conditions, codes, pending=() if not codes else None)

    answer = yield from ask(Question(text, tuple(choices)), read)
    if answer == LATER:
        return []
    if isinstance(answer, str):
        answer = yield from _ask_felt(job, minutes, conditions)
    return [(yield from _ask_minutes(job, answer))]


def _code_choices(job: Job, nothing: str, adapter: str) -> list[tuple[str, str]]:
    last = job.engine.layout.cylinders[-1]
    return [
        ("0", nothing),
        (f"1-{last}", "misfire code of that cylinder; of several: 1 3"),
        ("P...", "any other code, as read: P0300, P0171"),
        *([(BUS, f"read it now, ignition on, over {adapter}")] if adapter else []),
    ]


def _scan(adapter: str) -> Reading:
    """Scan the vehicle; what fails is told, and the question asked again."""
    try:
        return read_vehicle(adapter)
    except SwapinferError as error:
        raise InputError(str(error)) from None
    except ModuleNotFoundError as error:
        raise InputError(str(missing_extra(error.name or "") or error)) from None


def ask_stored(job: Job, adapter: str = "") -> Asking[Events]:
    """Ask what is stored, and before the first drive how old it may be."""
    choices = (*_code_choices(job, "nothing", adapter), (NOT_TAKEN, "not read"))

    def read(text: str) -> tuple[str, ...] | None:
        return None if text == NOT_TAKEN else _codes(job, text)

    def read_first(text: str) -> ev.Scanned:
        if text.lower() == BUS and adapter:
            return as_stored(job, _scan(adapter))
        return ev.Scanned(read(text))

    scanned = yield from ask(Question("Which codes are stored?", choices), read_first)
    if not scanned.heard:
        pending = yield from ask(Question("Which are pending?", default=NOT_TAKEN), read)
        permanent = yield from ask(Question("Which are permanent?", default=NOT_TAKEN), read)
        scanned = structs.replace(scanned, pending=pending, permanent=permanent)
    if job.latest is None and not scanned.memory:
        ages = [(name, memory.title) for name, memory in job.pack.memories.items()]
        age = yield from ask_choice("How old are they?", ages, "1")
        scanned = structs.replace(scanned, memory=age if age != UNKNOWN else "")
    return [check_scanned(job, scanned)]


def _codes(job: Job, text: str) -> tuple[str, ...]:
    """Codes from cylinder numbers, code numbers and codes; ``0`` is none."""
    if text.lower() in ("0", "none"):
        return ()
    misfires = [code for code in job.engine.codes.values() if code.role == "misfire"]
    codes = []
    for word in parts(text.upper()):
        if word.isdecimal() and len(word) <= 2:
            cylinder = job.engine.check_cylinder(int(word))
            codes.append(next(code.text for code in misfires if code.cylinder == cylinder))
        else:
            codes.append(f"P{word.zfill(4)}" if word.isdecimal() else word)
    return check_run(job, ev.Ran(1.0, codes=tuple(codes))).codes or ()


def _ask_felt(job: Job, minutes: float, conditions: tuple[str, ...]) -> Asking[ev.Ran]:
    feelings = job.pack.drive_feelings.values()
    felt = yield from ask_choice("How was it?", [(word, word.title) for word in feelings])
    run = ev.Ran(minutes, conditions, felt=felt.id)
    if felt.with_misfire < felt.without:
        return run

    def read(text: str) -> tuple[int, ...]:
        words = [] if text == NOT_TAKEN else parts(text)
        if not all(word.isdecimal() for word in words):
            raise InputError(
                f'"{text}" is no cylinder; type its number, or Enter if you cannot say'
            )
        return tuple(dict.fromkeys(job.engine.check_cylinder(int(word)) for word in words))

    question = Question("Which cylinder, by ear? Enter if you cannot say.", default=NOT_TAKEN)
    return structs.replace(run, suspected=(yield from ask(question, read)))


def _ask_minutes(job: Job, run: ev.Ran) -> Asking[ev.Ran]:
    """Minutes, and other conditions than planned after them: ``12 idle``."""
    when = f", {', '.join(run.conditions)}" if run.conditions else ""
    question = Question(f"Minutes driven{when}?", default=f"{run.minutes:g}")

    def read(text: str) -> ev.Ran:
        number, *words = parts(text)
        known = job.pack.running.conditions
        told = [word.lower() for word in words if word.lower() != "min"]
        when = tuple(known_word(word, known, f'no condition "{word}"') for word in told)
        told_run = structs.replace(
            run, minutes=to_unit(number, "min"), conditions=when or run.conditions
        )
        return check_run(job, told_run)

    return (yield from ask(question, read))


def ask_test(job: Job, test: Test, targets: Sequence[str], settings: Settings) -> Asking[Events]:
    """Ask what a test showed on its targets, all in one line."""
    where = ", ".join(target_label(target) for target in targets)
    many = f" One each, in this order; {NOT_TAKEN} for one not taken." if len(targets) > 1 else ""
    if test.form == "inspection":
        numbered = tuple((str(n), words) for n, words in enumerate(test.outcomes.values(), start=1))
        question = Question(f"{test.title}, {where}: what was seen?{many}", numbered)
        seen = yield from ask(question, lambda text: _seen(test.outcomes, targets, text))
        return [ev.Inspected(test.id, target, outcome) for target, outcome in seen]
    typist = Typist(job, test, settings)
    reference = wanted = None
    temperature = ""
    if test.reference:
        question = Question(f"The {test.reference}'s reading at the same time? In {typist.unit}.")
        reference = yield from ask(question, _twice_if_doubted(typist.reference))
    if test.wanted:
        asked = f"The {test.wanted}? In {typist.unit}; Enter if not known."
        taken = _twice_if_doubted(typist.wanted)
        wanted = yield from ask(
            Question(asked, default=NOT_TAKEN),
            lambda text: taken("" if text == NOT_TAKEN else text),
        )
    if test.copper_alpha:
        degrees = settings.unit("temperature")
        temperature = yield from ask_quantity("The part's temperature?", degrees)
    besides = typist.besides(reference, wanted, temperature)

    def read(text: str, insists: bool) -> Events:
        typed = target_values(re.split(r"[;\s]+", text))
        values = typed if isinstance(typed, dict) else _one_each(targets, typed)
        return [*typist.read(values, besides, insists)]

    question = Question(f"{test.title}, {where}, in {typist.unit}?{many}")
    return (yield from ask(question, _twice_if_doubted(read)))


def _twice_if_doubted(read: Callable[[str, bool], T]) -> Callable[[str], T]:
    """Take an answer that hardly can be meant only when it is given again."""
    doubted: set[str] = set()

    def taken(text: str) -> T:
        try:
            return read(text, text in doubted)
        except DoubtError as doubt:
            doubted.add(text)
            raise InputError(f"{doubt}; to insist type the same again") from None

    return taken


def _seen(outcomes: Mapping[str, str], targets: Sequence[str], text: str) -> list[tuple[str, str]]:
    named = {one_word(words): outcome for outcome, words in outcomes.items()}
    named |= {outcome: outcome for outcome in outcomes}
    words = [text] if one_word(text) in named else parts(text)
    picked = _one_each(targets, words)
    ids = list(outcomes)
    seen = []
    for target, answer in picked.items():
        is_number = answer.isdecimal() and 1 <= int(answer) <= len(ids)
        if not is_number and one_word(answer) not in named:
            raise InputError(f'"{answer}" is none of these; type 1 to {len(ids)}')
        seen.append((target, ids[int(answer) - 1] if is_number else named[one_word(answer)]))
    return seen


def _one_each(targets: Sequence[str], answers: Sequence[str]) -> dict[str, str]:
    if len(answers) != len(targets):
        raise InputError(
            f"{len(answers)} given for {len(targets)}; "
            f"one each, and {NOT_TAKEN} where none was taken"
        )
    taken = {t: a for t, a in zip(targets, answers, strict=True) if a != NOT_TAKEN}
    if not taken:
        raise InputError("nothing was taken; type s to skip the step instead")
    return taken


def ask_other(
    job: Job, suspects: Sequence[str], judge: Judge, settings: Settings
) -> Asking[Events]:
    """Ask what happened instead of the planned step."""
    where = "What, and where? As in coil-wiring3"

    def reseated(text: str) -> Event:
        return ev.Reseated(job.engine.find_place(text).id)

    kinds: list[tuple[Callable[[], Asking[Events]], str]] = [
        (lambda: ask_run(job, 15.0, adapter=settings.adapter), "the engine ran, or was driven"),
        (lambda: _ask_swap(job), "parts changed places"),
        (lambda: _ask_replaced(job), "something was replaced or put right"),
        (lambda: _ask_other_test(job, settings), "another reading or inspection"),
        (lambda: ask_stored(job, settings.adapter), "codes were read"),
        (lambda: _ask_event(where, reseated), "something was unplugged and reseated"),
        (lambda: _ask_nothing([ev.Returned()]), "every part went back where it belongs"),
        (lambda: _ask_event("What is worth keeping?", ev.Noted), "something worth a note"),
        (lambda: ask_closing(job, suspects, judge, settings.adapter), "the job ends here"),
    ]
    if not job.away_from_home():
        kinds.pop(6)
    asking = yield from ask_choice("What happened?", kinds)
    return (yield from asking())


def _ask_nothing(events: Events) -> Asking[Events]:
    yield from ()
    return events


def _ask_event(text: str, read: Callable[[str], Event]) -> Asking[Events]:
    return [(yield from ask(Question(text), read))]


def _ask_swap(job: Job) -> Asking[Events]:
    movable = [(kind.id, kind.title) for kind in job.engine.kinds.values() if kind.movable]
    kind = yield from ask_choice("Which part?", movable)

    def read(text: str) -> Event:
        numbers = re.findall(r"\d+", text)
        if len(numbers) != 2:
            raise InputError(f'"{text}" must be two cylinders, as in 3 1')
        first, second = (job.engine.find_place(f"{kind}{n}").id for n in numbers)
        if first == second:
            raise InputError(f"{first} cannot change places with itself")
        return ev.Swapped(((first, second),))

    return (yield from _ask_event("From which cylinder to which? As in 3 1", read))


def _ask_replaced(job: Job) -> Asking[Events]:
    question = Question("What, and where? As in coil3, or sealing4")
    place = yield from ask(question, lambda text: job.engine.find_place(text).id)
    price = yield from ask(Question("What did it cost?", default=NOT_TAKEN), _price)
    return [ev.Replaced(place, price)]


def _ask_other_test(job: Job, settings: Settings) -> Asking[Events]:
    tests = list(job.engine.tests.values())
    test = yield from ask_choice("Which?", [(test, test.title) for test in tests])
    targets: Sequence[str] = job.engine.target_places(test.target)

    def read(text: str) -> Sequence[str]:
        if text.lower() == "all":
            return targets
        return [find_target(job, test, word) for word in parts(text)]

    if len(targets) > 1:
        text = f"On which {test.target}? As in 3, or 1 2; Enter for all"
        targets = yield from ask(Question(text, default="all"), read)
    return (yield from ask_test(job, test, targets, settings))


def ask_closing(
    job: Job, suspects: Sequence[str], judge: Judge, adapter: str = ""
) -> Asking[Events]:
    """Ask what a job ends with; warn first when parts are away or covers off.

    The job may turn out not to end yet: then only what else was told comes of it.
    """
    tidied = yield from _ask_tidied(job)
    gone = [name for name in job.elements if job.place_of(name) is None]
    named = list(dict.fromkeys([*gone, *suspects]))
    causes = yield from _ask_causes(job, named, "1" if gone else "")
    proof, doubts = judge(tidied, causes)
    if doubts:
        options = [(True, "yes, it was at fault"), (False, "no, go on with the job")]
        asked = f"{'; '.join(doubts)}. Close on it all the same?"
        if not (yield from ask_choice(asked, options)):
            return tidied
    how = yield from _ask_how_it_leaves(proof)
    if how == DRIVE:
        minutes = float(math.ceil(proof.missing))
        ran = yield from ask_run(job, minutes, proof.asked.conditions, adapter)
        return [*tidied, *ran]
    if how == STAYS:
        return tidied
    modes = []
    for cause in causes:
        kinds = job.engine.kinds[job.elements[cause].home.kind].modes.values()
        ways = [*((mode.id, mode.title) for mode in kinds), ("", "not known")]
        asked = f"How had it failed: {element_label(job, cause)}?"
        modes.append((yield from ask_choice(asked, ways, str(len(ways)))))
    return [*tidied, ev.Closed(tuple(causes), tuple(modes), how == VERIFIED)]


def _ask_how_it_leaves(proof: Proof) -> Asking[str]:
    missing = missing_words(proof)
    if not missing:
        driven = f"{proof.driven:g} min driven clean in the conditions in which it failed"
        sure = [(VERIFIED, f"verified: {driven}"), (CLOSED, "repaired, not verified")]
        return (yield from ask_choice("How does it leave?", sure, "1"))
    options = [(CLOSED, "as it is, not repaired"), (STAYS, "not yet: go on with the job")]
    if proof.repaired_seq is not None:
        options[0] = (CLOSED, "repaired, not verified")
        if math.isfinite(proof.missing):
            options.insert(0, (DRIVE, "not yet: this drive is done, and I say what it showed"))
    return (yield from ask_choice(f"Not verified: {missing}. How does it leave?", options))


def _ask_tidied(job: Job) -> Asking[Events]:
    away = [element_label(job, part) for part in job.away_from_home()]
    covers = [job.pack.access[name].title for name in sorted(job.open_access)]
    if not away and not covers:
        return []
    loose = [*(f"{part} is not where it belongs" for part in away), *covers]
    options = [(True, "all put back and closed up now"), (False, "it leaves as it is")]
    is_tidied = yield from ask_choice(f"Before it goes: {'; '.join(loose)}", options)
    if not is_tidied:
        return []
    closed_up: Events = [ev.Noted(f"closed up again: {', '.join(covers)}")] if covers else []
    return [*([ev.Returned()] if away else []), *closed_up]


def _ask_causes(job: Job, named: Sequence[str], default: str) -> Asking[list[str]]:
    numbered = [(str(n), element_label(job, name)) for n, name in enumerate(named, start=1)]
    choices = (("0", "not found"), *numbered)

    def read(text: str) -> list[str]:
        whole = one_word(text)
        if whole in ("0", "not-found"):
            return []
        for name in dict.fromkeys([*named, *job.elements]):
            if whole in (name, one_word(element_label(job, name))):
                return [name]
        words = parts(text)
        for word in words:
            if not word.isdecimal() or not 1 <= int(word) <= len(named):
                raise InputError(f"type numbers from 0 to {len(named)}")
        return [named[int(word) - 1] for word in dict.fromkeys(words)]

    return (yield from ask(Question("What was at fault? Several: 1 2", choices, default), read))

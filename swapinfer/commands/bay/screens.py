"""The screens: each shows the facts that a command returns, and forms that record one thing."""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import suppress
from functools import cached_property, partial
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote, unquote

import anyio.to_thread
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from msgspec import ValidationError, convert
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from swapinfer.claim.html import POLICY, to_html
from swapinfer.claim.pdf import to_pdf
from swapinfer.commands.bay.clock import Clock, Drive
from swapinfer.commands.bay.deeds import Form, OvertakenError, conditions, do
from swapinfer.commands.bay.door import COOKIE, Device, Devices, Pairing
from swapinfer.commands.bay.engine import draw, draw_small, part_groups, tests_on
from swapinfer.commands.bay.offers import look_buttons, offers_of
from swapinfer.commands.belief import show_belief, show_picture
from swapinfer.commands.causes import StepLine, cause_words, spent_words, step_words, whole_way
from swapinfer.commands.claim import check_claim, draft_claim
from swapinfer.commands.jobs import list_jobs
from swapinfer.commands.next import UNPROVEN, NextView, show_next, standing_words
from swapinfer.commands.notes import attach_picture
from swapinfer.commands.opening import open_
from swapinfer.commands.page import exactness, interval, money
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.commands.show import show_job
from swapinfer.commands.steps import StepFacts
from swapinfer.commands.why import finding_words, show_why
from swapinfer.errors import (
    DoubtError,
    InputError,
    SwapinferError,
    UnconfirmedError,
    missing_extra,
    near_match,
)
from swapinfer.ledger.events import TYPES
from swapinfer.ledger.replay import Job
from swapinfer.ledger.store import JobRow
from swapinfer.ledger.words import element_label, place_label, target_label
from swapinfer.pack.engine import CodeRead
from swapinfer.pack.model import Pack
from swapinfer.units import OVER_LIMIT, UNITS, percent, units_like

HERE = Path(__file__).parent
REMEMBERED = 500
"""Forms of which it is known what came of them, so that one sent twice records once."""

KEPT = 60
"""Answers kept, to be given again to whoever asks before anything changed."""

POLL_SECONDS = 0.5
"""How often a job is looked at for what others record."""

SHOWN, STEPS, CLOSED_SHOWN = 8, 8, 12
"""Causes, steps and closed jobs on a screen."""

DOCKED = 2
"""Buttons that may stay in sight at the lower edge; more would hide what is to be read."""

T = TypeVar("T")


class _Answer:
    """What a command finds: asked for by many at once, it is worked out by the first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._found: list[Any] = []

    def get(self, find: Callable[[], Any]) -> Any:  # noqa: ANN401  whatever the command finds
        with self._lock:
            self._found = self._found or [find()]
            return self._found[0]


def lay_out_types() -> None:
    """Let msgspec lay out all that requests read.

    It does so when a type is first read, and two threads that do it at once end the program.
    """
    for kind in (Pack, StepLine, list[Device], dict[str, Drive], *TYPES.values()):
        with suppress(ValidationError):
            convert(None, kind)


class Bay:
    """What the screens need from one request to the next."""

    def __init__(
        self, store: str, devices: Devices, pairing: Pairing, clock: Clock, *, is_private: bool
    ) -> None:
        lay_out_types()
        self.store, self.devices, self.pairing, self.clock = store, devices, pairing, clock
        self.is_private = is_private
        self.is_over: Callable[[], bool] = lambda: False
        """Whether the program is about to end, so that no stream holds it."""
        self._done: OrderedDict[str, tuple[str, Recorded]] = OrderedDict()
        self._found: OrderedDict[object, _Answer] = OrderedDict()
        self._lock = threading.Lock()
        self.templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.filters.update(
            percent=percent, begin=_begin, link=link_to, cause_words=cause_words,
            finding_words=finding_words,
        )  # fmt: skip
        self.templates.globals.update(
            key=partial(secrets.token_urlsafe, 12), interval=interval, exactness=exactness,
            money=money, spent_words=spent_words, step_words=step_words, whole_way=whole_way,
        )  # fmt: skip

    def shop(self, request: Request, *, is_supposing: bool = False) -> Shop:
        """Return the shop, in the name of whoever holds the device."""
        return Shop(self.store, request.state.device.name, is_supposing=is_supposing)

    def page(self, name: str, status: int = 200, **facts: object) -> HTMLResponse:
        """Fill a template in; every form on it has a key of its own."""
        return HTMLResponse(self.templates.get_template(f"{name}.html").render(**facts), status)

    def find(self, shop: Shop, row: JobRow, function: Callable[..., T], **asked: object) -> T:
        """Return what a command finds; while nothing changes, it is worked out once for all."""
        at = (function.__name__, row.job, row.head, repr(shop.settings), repr(asked))
        with self._lock:
            answer = self._found.setdefault(at, _Answer())
            self._found.move_to_end(at)
            while len(self._found) > KEPT:
                self._found.popitem(last=False)
        found: T = answer.get(partial(function, shop, ro=row.ro, **asked))
        return found

    def keep(self, key: str, to: str, told: Recorded) -> None:
        """Keep where a form led that has a key, and what was told of it."""
        if not key:
            return
        with self._lock:
            self._done[key] = to, told
            while len(self._done) > REMEMBERED:
                self._done.popitem(last=False)

    def known(self, key: str) -> tuple[str, Recorded] | tuple[None, None]:
        """Return where a form led that was sent before, and what was told of it."""
        return self._done.get(key, (None, None))


def link_to(ro: str) -> str:
    """Address of a job, whatever its repair order is made of."""
    return "/job/" + quote(quote(ro, safe=""), safe="")


def _begin(text: str) -> str:
    """Begin with a capital."""
    return text[:1].upper() + text[1:]


class Sight:
    """A job as one request sees it."""

    def __init__(self, bay: Bay, request: Request, shop: Shop) -> None:
        self.bay, self.shop, self.request = bay, shop, request
        self.ro = unquote(request.path_params["ro"])
        self.row = shop.store.find_job(self.ro)
        """As it was before anything else is read, so that nothing new passes for seen."""

    @cached_property
    def loaded(self) -> OpenJob:
        """The job, replayed."""
        return self.shop.load(self.ro)

    def asked(self, name: str) -> str:
        """Return what the address says of a name."""
        return self.request.query_params.get(name, "")

    def find(self, function: Callable[..., T], **asked: object) -> T:
        """Return what a command finds of the job."""
        return self.bay.find(self.shop, self.row, function, **asked)

    def page(self, name: str, status: int = 200, **facts: object) -> Response:
        """Fill a template in."""
        own = {
            "ro": self.ro,
            "complaint": self.row.summary.get("complaint", ""),
            "at": link_to(self.ro),
            "seen": self.row.length,
            "suppose": self.asked("suppose"),
            "drive": self.bay.clock.of(self.row.job),
        }
        return self.bay.page(name, status, **own | facts)

    def back(self, then: str = "") -> Response:
        """Lead on after a form."""
        return RedirectResponse(link_to(self.ro) + then, 303)


def screens(bay: Bay) -> Starlette:
    """Return the page's application, without the door in front of it."""

    def route(path: str, function: Callable[..., Response], method: str = "GET") -> Route:
        async def answer(request: Request) -> Response:
            given = [await _form(request)] if method == "POST" else []
            try:
                return await anyio.to_thread.run_sync(partial(function, bay, request, *given))
            except (SwapinferError, ModuleNotFoundError) as error:
                problem = _problem(error)
                ro = request.path_params.get("ro")
                back = link_to(unquote(ro)) if ro else "/"
                form = (
                    {name: text for name, text in given[0].items() if isinstance(text, str)}
                    if given
                    else {}
                )
                return bay.page(
                    "problem",
                    400,
                    problem=problem,
                    back=back,
                    form=form,
                    typed=typed_in(form),
                    action=quote(request.url.path),
                )

        return Route(path, answer, methods=[method])

    def job(path: str, function: Callable[..., Response], method: str = "GET") -> Route:
        def see(bay: Bay, request: Request, *given: Form) -> Response:
            with bay.shop(request) as shop:
                return function(Sight(bay, request, shop), *given)

        return route("/job/{ro}" + path, see, method)

    return Starlette(
        routes=[
            route("/", _jobs),
            route("/open", _new_job),
            route("/open", _open_job, "POST"),
            route("/pair/{token}", _offer_pairing),
            route("/pair/{token}", _pair, "POST"),
            job("", _next),
            job("/do", _do, "POST"),
            job("/what-if", _what_if),
            job("/more", lambda see: see.page("more")),
            job("/engine", _engine),
            job("/at/{where}", _group),
            job("/part/{place}", _part),
            job("/look/{test}", _look),
            job("/reading/{test}", _reading),
            job("/drive", _drive),
            job("/codes", _codes),
            job("/clock", _clock, "POST"),
            job("/findings", _findings),
            job("/finding/{seq:int}", _finding),
            job("/photo", _photo, "POST"),
            job("/belief", _belief),
            job("/why", _why),
            job("/why/{cause}", _why),
            job("/close", _close),
            job("/write-up", _write_up),
            job("/write-up.{form}", _write_up_file),
            Route("/job/{ro}/changes", partial(_changes, bay)),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]
    )


def _problem(error: Exception) -> str:
    """Say what is wrong, or which extra is missing; raise again what nobody foresaw."""
    if not isinstance(error, ModuleNotFoundError):
        return str(error)
    lacking = missing_extra(error.name or "")
    if lacking is None:
        raise error
    return str(lacking)


TYPED = {
    "ro": "Repair order", "complaint": "What the customer says", "odometer": "Odometer",
    "minutes": "Minutes", "codes": "Codes", "pending": "Pending codes",
    "permanent": "Permanent codes", "against": "At the same time", "wanted": "Wanted",
    "text": "Note", "remark": "Remark", "reason": "Why", "why": "Why",
}  # fmt: skip
"""Fields that are typed, with their labels where a form comes back to be put right."""


def typed_in(form: Form) -> dict[str, str]:
    """Label what somebody typed into a form, by the names of its fields."""
    labels = {name: TYPED.get(name, "") for name in form}
    for name in form:
        kind, _, target = name.partition("-")
        if kind in ("value", "count"):
            labels[name] = target_label(target) if kind == "value" else f"Cylinder {target}"
    return {name: label for name, label in labels.items() if label and form[name].strip()}


async def _form(request: Request) -> dict[str, Any]:
    """Read a form; a file in it becomes its name and its bytes."""
    async with request.form(max_files=1) as form:
        return {
            name: value if isinstance(value, str) else (value.filename or "", await value.read())
            for name, value in form.items()
        }


def _jobs(bay: Bay, request: Request) -> Response:
    with bay.shop(request) as shop:
        try:
            jobs = list_jobs(shop).jobs
        except SwapinferError:  # no store yet: there are no jobs
            jobs = ()
    ended = [job for job in jobs if job.status != "open"]
    return bay.page(
        "jobs", open=[job for job in jobs if job.status == "open"], ended=ended[:CLOSED_SHOWN]
    )


def _new_job(bay: Bay, request: Request) -> Response:
    with bay.shop(request) as shop:
        pack, distance = shop.pack, shop.settings.unit("distance")
    layouts = sorted(pack.layouts.values(), key=lambda one: (len(one.cylinders), one.title))
    return bay.page(
        "open", layouts=layouts, fitments=pack.fitments, draw=draw_small, distance=distance
    )


def _open_job(bay: Bay, request: Request, form: Form) -> Response:
    ro, key = form.get("ro", "").strip(), form.get("key", "")
    to, _ = bay.known(key)
    if not to:
        to = link_to(ro)
        odometer = form.get("odometer", "").strip()
        with bay.shop(request) as shop:
            told = open_(
                shop,
                ro,
                layout=form.get("layout", ""),
                ignition=form.get("ignition", ""),
                fuel=form.get("fuel", ""),
                complaint=form.get("complaint", ""),
                odometer=f"{odometer} {form.get('distance', '')}" if odometer else "",
            )
        bay.keep(key, to, told)
    return RedirectResponse(to, 303)


def _offer_pairing(bay: Bay, request: Request) -> Response:
    token = request.path_params["token"]
    if not bay.pairing.is_good(token):
        return bay.page("unpaired", 403)
    return bay.page("pair", token=token)


def _pair(bay: Bay, request: Request, form: Form) -> Response:
    name = form.get("name", "").strip()
    if not name:
        return bay.page("pair", 400, token=request.path_params["token"])
    if not bay.pairing.use(request.path_params["token"]):
        return bay.page("unpaired", 403)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        COOKIE,
        bay.devices.pair(name, Shop.now()),
        max_age=180 * 24 * 3600,
        httponly=True,
        samesite="strict",
        secure=bay.is_private,
    )
    return answer


def _next(see: Sight) -> Response:
    _, told = see.bay.known(see.asked("after"))
    if see.loaded.job.closing:
        return see.page("closed", job=see.find(show_job), told=told)
    tools = {title: tool for tool, title in see.loaded.job.pack.tools.items()}
    skipped, lacking = _words(see.asked("skip")), _words(see.asked("lacking"))
    view, step = _step(see)
    left = [one for one in view.steps if one.id not in (step.id, *skipped) and not one.is_barred]
    offers = offers_of(see.loaded.job, step, link_to(see.ro))
    taps = sum(len(offer.buttons) + bool(offer.link) for offer in offers)
    return see.page(
        "next",
        view=view,
        standing=standing_words(view),
        unproven=UNPROVEN if view.verdict in ("stop-testing", "bet") else "",
        step=step,
        best=view.steps[0],
        offers=offers,
        is_docked=taps <= DOCKED,
        others=left,
        skip=",".join([*skipped, step.id]),
        skipped=skipped,
        lacking=lacking,
        tools={title: ",".join([*lacking, tools[title]]) for title in step.tools},
        told=told,
    )


def _step(see: Sight) -> tuple[NextView, StepFacts]:
    """Find the step that an address names, or else the first that is not left out."""
    view = see.find(show_next, lacking=see.asked("lacking"), count=STEPS)
    skipped = _words(see.asked("skip"))
    left = [step for step in view.steps if step.id not in skipped and not step.is_barred]
    named = (step for step in view.steps if step.id == see.asked("step"))
    return view, next(named, (left or view.steps)[0])


def _what_if(see: Sight) -> Response:
    _, step = _step(see)
    return see.page("what-if", step=step, offers=offers_of(see.loaded.job, step, link_to(see.ro)))


def _words(text: str) -> list[str]:
    return [word for word in text.split(",") if word]


def _do(see: Sight, form: Form) -> Response:
    key = form.get("key", "")
    to, _ = see.bay.known(key)
    if to:
        return RedirectResponse(to, 303)
    is_supposed = form.get("suppose") == "yes"
    fields = {name: value for name, value in form.items() if name not in ("key", "seen")}
    try:
        with see.bay.shop(see.request, is_supposing=is_supposed) as shop:
            told = do(shop, see.ro, form)
    except OvertakenError:
        return see.page(
            "overtaken",
            409,
            form=fields,
            events=show_job(see.shop, see.ro).events[int(form["seen"]) :],
        )
    except (DoubtError, UnconfirmedError) as doubt:
        return see.page(
            "doubt", 409, form=fields, typed=typed_in(fields), seen=form["seen"], doubt=str(doubt)
        )
    if is_supposed:
        real = {name: value for name, value in fields.items() if name != "suppose"}
        return see.page("supposed", told=told, form=real)
    if form.get("deed") in ("drive", "scan"):
        see.bay.clock.forget(see.row.job)
    to = f"{link_to(see.ro)}?after={quote(key)}"
    see.bay.keep(key, to, told)
    return RedirectResponse(to, 303)


def _engine(see: Sight) -> Response:
    picture = see.find(show_picture)
    layout = see.loaded.job.engine.layout
    return see.page(
        "engine",
        layout=layout,
        drawing=draw(layout, picture.cylinders, f"{link_to(see.ro)}/at"),
        picture=picture,
        groups=part_groups(see.loaded.job).values(),
    )


def _group(see: Sight) -> Response:
    groups = part_groups(see.loaded.job)
    where = see.request.path_params["where"]
    if where not in groups:
        raise InputError(f'no cylinder "{where}"{near_match(where, groups)}')
    engine = see.loaded.job.engine
    labels = {place: place_label(engine, place) for place in groups[where].places}
    labels |= {target: place_label(engine, target) for target in groups[where].tests}
    return see.page("group", group=groups[where], labels=labels)


def _part(see: Sight) -> Response:
    job = see.loaded.job
    engine = job.engine
    place = engine.find_place(see.request.path_params["place"])
    kind = engine.kinds[place.kind]
    others = [p for p in engine.places_for(place.kind) if p != place] if kind.movable else []
    element = job.fitted.get(place.id)
    return see.page(
        "part",
        place=place,
        label=place_label(engine, place.id),
        holds=element_label(job, element) if element and kind.movable else "",
        others={other.id: place_label(engine, other.id) for other in others},
        tests=tests_on(engine, place),
        **_cautions(job, (*kind.cautions, *job.access_cautions(kind.access))),
    )


def _test(see: Sight) -> dict[str, Any]:
    """Find the test that an address names, and what it is to be made on."""
    job = see.loaded.job
    test = job.engine.find_test(see.request.path_params["test"])
    targets = job.engine.target_places(test.target)
    on = [target for target in _words(see.asked("on")) if target in targets]
    return {
        "test": test,
        "targets": {target: place_label(job.engine, target) for target in on or targets},
        **_cautions(job, (*test.cautions, *job.access_cautions(test.access))),
        "tools": [job.pack.tools[tool] for tool in test.tools],
    }


def _cautions(job: Job, names: Iterable[str]) -> dict[str, Any]:
    """Cautions in full that are new to a job, and the names of the others."""
    known, named = job.cautions_met(), dict.fromkeys(names)
    return {
        "cautions": [job.pack.cautions[name].text for name in named if name not in known],
        "known": [job.pack.cautions[name].name for name in named if name in known],
    }


def _look(see: Sight) -> Response:
    facts = _test(see)
    looks = {
        label: look_buttons(facts["test"], target, see.asked("suppose"))
        for target, label in facts["targets"].items()
    }
    return see.page("look", **facts, looks=looks)


def _codes(see: Sight) -> Response:
    job = see.loaded.job
    return see.page(
        "codes",
        memories=job.pack.memories if job.latest is None else {},
        conditions=job.pack.running.conditions,
        codes=_tapped_codes(job),
        adapter=see.shop.settings.adapter,
    )


SHOWN_ROLES = ("misfire", "random")
"""Codes that are tapped; others are typed."""


def _tapped_codes(job: Job) -> list[CodeRead]:
    return [code for code in job.engine.codes.values() if code.role in SHOWN_ROLES]


def _reading(see: Sight) -> Response:
    facts = _test(see)
    unit = facts["test"].unit
    chosen = see.shop.settings.bare_unit(unit) or unit
    return see.page(
        "reading",
        **facts,
        units=[chosen, *(one for one in (unit, *units_like(unit)) if one != chosen)],
        has_over_limit=OVER_LIMIT in UNITS[unit],
    )


def _drive(see: Sight) -> Response:
    job = see.loaded.job
    running = job.pack.running
    drive = see.bay.clock.of(see.row.job)
    is_over = drive is not None and drive.minutes is not None
    return see.page(
        "drive" if is_over or see.asked("form") else "clock",
        conditions=running.conditions,
        chosen=drive.when if drive else _words(see.asked("when")),
        minutes=drive.minutes if drive and is_over else see.asked("minutes"),
        so_far=drive.minutes_at(see.shop.now()) if drive and not is_over else None,
        planned=see.asked("minutes"),
        **_cautions(job, running.cautions),
        cylinders=job.engine.layout.cylinders,
        codes=_tapped_codes(job),
        feelings=job.pack.drive_feelings,
        adapter=see.shop.settings.adapter,
    )


def _clock(see: Sight, form: Form) -> Response:
    job, now = see.row.job, see.shop.now()
    match form.get("tap"):
        case "begin":
            see.bay.clock.begin(job, see.shop.who, now, tuple(_words(conditions(form))))
        case "end":
            see.bay.clock.end(job, now)
        case _:
            see.bay.clock.forget(job)
    return see.back("/drive")


def _findings(see: Sight) -> Response:
    return see.page("findings", job=see.find(show_job))


def _finding(see: Sight) -> Response:
    seq = see.request.path_params["seq"]
    events = {event.seq: event for event in see.find(show_job).events}
    if seq not in events:
        raise InputError(f"no event {seq} in {see.ro}; they are numbered 0 to {len(events) - 1}")
    return see.page("finding", event=events[seq])


def _photo(see: Sight, form: Mapping[str, Any]) -> Response:
    name, data = form.get("picture") or ("", b"")
    if not data:
        raise InputError("choose a picture")
    key, of = form.get("key", ""), form.get("of", "")
    to, _ = see.bay.known(key)
    if not to:
        to = link_to(see.ro) + "/findings"
        told = attach_picture(
            see.shop,
            name,
            data,
            form.get("caption", ""),
            int(of) if of.isdecimal() else None,
            see.ro,
        )
        see.bay.keep(key, to, told)
    return RedirectResponse(to, 303)


def _belief(see: Sight) -> Response:
    view = see.find(show_belief)
    intervals = {one.element: one for one in view.intervals}
    return see.page("belief", view=view, causes=view.causes[:SHOWN], intervals=intervals)


def _why(see: Sight) -> Response:
    return see.page("why", view=see.find(show_why, cause=see.request.path_params.get("cause", "")))


def _close(see: Sight) -> Response:
    return see.page("close", causes=see.find(show_job).causes[:SHOWN])


def _write_up(see: Sight) -> Response:
    return see.page("write-up", claim=see.find(draft_claim), lacks=see.find(check_claim))


def _write_up_file(see: Sight) -> Response:
    claim, form = draft_claim(see.shop, see.ro), see.request.path_params["form"]
    if form == "html":
        data, media = to_html(claim.document).encode(), "text/html; charset=utf-8"
    elif form == "pdf":
        data, media = to_pdf(claim.document, paper=claim.settings.paper), "application/pdf"
    else:
        raise InputError(f'no write-up is "{form}" here; known: html, pdf')
    name = quote(f"{see.ro}.{form}", safe="")
    headers = {
        "content-disposition": f"inline; filename*=UTF-8''{name}",
        "content-security-policy": f"{POLICY}; frame-ancestors 'none'",
    }
    return Response(data, media_type=media, headers=headers)


async def _changes(bay: Bay, request: Request) -> Response:
    """Tell when more is recorded on a job than was seen, as server-sent events."""
    ro = unquote(request.path_params["ro"])
    seen = request.query_params.get("seen", "")

    def length() -> str:
        with bay.shop(request) as shop:
            return str(shop.store.find_job(ro).length)

    try:
        await anyio.to_thread.run_sync(length)
    except SwapinferError:
        return Response(status_code=204)  # a browser does not ask again then

    async def stream() -> AsyncIterator[str]:
        nonlocal seen
        yield "retry: 2000\n\n"
        while not (bay.is_over() or await request.is_disconnected()):
            now = await anyio.to_thread.run_sync(length)
            if now != seen:
                seen = now
                yield "data: changed\n\n"
            await asyncio.sleep(POLL_SECONDS)

    return StreamingResponse(stream(), media_type="text/event-stream")

"""The screens: each shows the facts that a command returns, and forms that record one thing."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any
from urllib.parse import quote, unquote

import anyio.to_thread
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from swapinfer.commands.bay.door import COOKIE
from swapinfer.commands.bay.engine import draw, draw_small, parts_at, tests_on
from swapinfer.commands.bay.forms import (
    Form,
    OvertakenError,
    conditions,
    do,
    look_buttons,
    offers_of,
    typed_in,
)
from swapinfer.commands.bay.state import HERE, Bay, Screen, link_to
from swapinfer.commands.belief import show_belief, show_picture, show_why
from swapinfer.commands.claim import check_claim, draft_claim
from swapinfer.commands.entries import attach_picture
from swapinfer.commands.jobs import list_jobs
from swapinfer.commands.next import REPAIRS, UNPROVEN, NextView, show_next, standing_words
from swapinfer.commands.opening import open_
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.commands.show import show_job
from swapinfer.commands.steps import StepFacts
from swapinfer.errors import DoubtError, InputError, SwapinferError, UnconfirmedError, missing_extra
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label, place_label
from swapinfer.units import OVER_LIMIT, UNITS, units_like

POLL_SECONDS = 0.5
"""How often a job is looked at for what others record."""

STEPS, CLOSED_SHOWN = 8, 12
"""Steps and closed jobs on a screen."""

DOCKED = 2
"""Buttons that may stay in sight at the lower edge; more would hide what is to be read."""


def screens(bay: Bay) -> Starlette:
    """Return the page's application, without the door in front of it."""

    def route(path: str, function: Callable[..., Response], method: str = "GET") -> Route:
        async def answer(request: Request) -> Response:
            given = [await _form(request)] if method == "POST" else []
            try:
                return await anyio.to_thread.run_sync(partial(function, bay, request, *given))
            except (SwapinferError, ModuleNotFoundError) as error:
                return _problem(bay, request, error, given)

        return Route(path, answer, methods=[method])

    def job(path: str, function: Callable[..., Response], method: str = "GET") -> Route:
        def show(bay: Bay, request: Request, *given: Form) -> Response:
            with bay.shop(request) as shop:
                return function(Screen(bay, request, shop), *given)

        return route("/job/{ro}" + path, show, method)

    def shown(path: str, **facts: Callable[..., object]) -> Route:
        """Show what commands find by the template of the path's name."""

        def fill(screen: Screen) -> Response:
            found: dict[str, Any] = {name: screen.find(one) for name, one in facts.items()}
            return screen.page(path.strip("/"), **found)

        return job(path, fill)

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
            shown("/more"),
            job("/engine", _engine),
            job("/at/{where}", _group),
            job("/part/{place}", _part),
            job("/look/{test}", _look),
            job("/reading/{test}", _reading),
            job("/drive", _drive),
            job("/codes", _codes),
            job("/clock", _clock, "POST"),
            shown("/findings", job=show_job),
            job("/finding/{seq:int}", _finding),
            job("/photo", _photo, "POST"),
            shown("/belief", view=show_belief),
            job("/why", _why),
            job("/why/{cause}", _why),
            shown("/close", job=show_job),
            shown("/write-up", claim=draft_claim, lacks=check_claim),
            job("/write-up.{form}", _write_up_file),
            Route("/job/{ro}/changes", partial(_changes, bay)),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]
    )


def _problem(
    bay: Bay, request: Request, error: SwapinferError | ModuleNotFoundError, given: Sequence[Form]
) -> Response:
    """Say what is wrong, or which extra is missing, and give a form back to be put right."""
    lacking = missing_extra(error.name or "") if isinstance(error, ModuleNotFoundError) else error
    if lacking is None:
        raise error
    ro = request.path_params.get("ro")
    form = {name: text for one in given for name, text in one.items() if isinstance(text, str)}
    return bay.page(
        "problem",
        400,
        problem=str(lacking),
        back=link_to(unquote(ro)) if ro else "/",
        form=form,
        typed=typed_in(form),
        action=quote(request.url.path),
    )


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
    ro, odometer = form.get("ro", "").strip(), form.get("odometer", "").strip()

    def opened() -> Recorded:
        with bay.shop(request) as shop:
            return open_(
                shop,
                ro,
                layout=form.get("layout", ""),
                ignition=form.get("ignition", ""),
                fuel=form.get("fuel", ""),
                complaint=form.get("complaint", ""),
                odometer=f"{odometer} {form.get('distance', '')}" if odometer else "",
            )

    return bay.once(form.get("key", ""), link_to(ro), opened)


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


def _next(screen: Screen) -> Response:
    _, told = screen.bay.known(screen.asked("after"))
    if screen.job.closing:
        return screen.page("closed", job=screen.find(show_job), told=told)
    tools = {title: tool for tool, title in screen.job.pack.tools.items()}
    skipped, lacking = _words(screen.asked("skip")), _words(screen.asked("lacking"))
    view, step, left = _step(screen)
    offers = offers_of(screen.job, step, link_to(screen.ro))
    taps = sum(len(offer.buttons) + bool(offer.link) for offer in offers)
    return screen.page(
        "next",
        view=view,
        standing=standing_words(view),
        unproven=UNPROVEN if view.verdict in REPAIRS else "",
        step=step,
        best=view.steps[0],
        offers=offers,
        is_docked=taps <= DOCKED,
        others=[one for one in left if one.id != step.id],
        skip=",".join([*skipped, step.id]),
        skipped=skipped,
        lacking=lacking,
        tools={title: ",".join([*lacking, tools[title]]) for title in step.tools},
        told=told,
    )


def _step(screen: Screen) -> tuple[NextView, StepFacts, list[StepFacts]]:
    """Find the step that an address names, or else the first of those not left out."""
    view = screen.find(show_next, lacking=screen.asked("lacking"), count=STEPS)
    skipped = _words(screen.asked("skip"))
    left = [step for step in view.steps if step.id not in skipped and not step.is_barred]
    named = (step for step in view.steps if step.id == screen.asked("step"))
    return view, next(named, (left or view.steps)[0]), left


def _what_if(screen: Screen) -> Response:
    _, step, _ = _step(screen)
    offers = offers_of(screen.job, step, link_to(screen.ro))
    return screen.page("what-if", step=step, offers=offers)


def _words(text: str) -> list[str]:
    return [word for word in text.split(",") if word]


def _do(screen: Screen, form: Form) -> Response:
    key = form.get("key", "")
    to, _ = screen.bay.known(key)
    if to:
        return RedirectResponse(to, 303)
    is_supposed = form.get("suppose") == "yes"
    fields = {name: value for name, value in form.items() if name not in ("key", "seen")}
    try:
        with screen.bay.shop(screen.request, is_supposing=is_supposed) as shop:
            told = do(shop, screen.ro, form)
    except OvertakenError:
        return screen.page(
            "overtaken",
            409,
            form=fields,
            events=show_job(screen.shop, screen.ro).events[int(form["seen"]) :],
        )
    except (DoubtError, UnconfirmedError) as doubt:
        return screen.page(
            "doubt", 409, form=fields, typed=typed_in(fields), seen=form["seen"], doubt=str(doubt)
        )
    if is_supposed:
        real = {name: value for name, value in fields.items() if name != "suppose"}
        return screen.page("supposed", told=told, form=real)
    if form.get("deed") in ("drive", "scan"):
        screen.bay.clock.forget(screen.row.job)
    to = f"{link_to(screen.ro)}?after={quote(key)}"
    screen.bay.keep(key, to, told)
    return RedirectResponse(to, 303)


def _engine(screen: Screen) -> Response:
    picture = screen.find(show_picture)
    layout, link = screen.job.engine.layout, f"{link_to(screen.ro)}/at"
    drawing = draw(layout, picture.cylinders, link)
    return screen.page("engine", drawing=drawing, picture=picture)


def _group(screen: Screen) -> Response:
    return screen.page("group", **parts_at(screen.job, screen.request.path_params["where"]))


def _part(screen: Screen) -> Response:
    job = screen.job
    engine = job.engine
    place = engine.find_place(screen.request.path_params["place"])
    kind = engine.kinds[place.kind]
    others = [p for p in engine.places_for(place.kind) if p != place] if kind.movable else []
    element = job.fitted.get(place.id)
    return screen.page(
        "part",
        place=place,
        label=place_label(engine, place.id),
        holds=element_label(job, element) if element and kind.movable else "",
        others={other.id: place_label(engine, other.id) for other in others},
        tests=tests_on(engine, place),
        **_cautions(job, (*kind.cautions, *job.access_cautions(kind.access))),
    )


def _test(screen: Screen) -> dict[str, Any]:
    """Find the test that an address names, and what it is to be made on."""
    job = screen.job
    test = job.engine.find_test(screen.request.path_params["test"])
    targets = job.engine.target_places(test.target)
    on = [target for target in _words(screen.asked("on")) if target in targets]
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


def _look(screen: Screen) -> Response:
    return screen.page("look", **_test(screen), look_buttons=look_buttons)


def _codes(screen: Screen) -> Response:
    job = screen.job
    return screen.page(
        "codes", memories=job.pack.memories if job.latest is None else {}, **_findable(screen)
    )


def _findable(screen: Screen) -> dict[str, Any]:
    """Conditions, the codes that are tapped (others are typed), and what can be read over."""
    codes = screen.job.engine.codes.values()
    return {
        "conditions": screen.job.pack.running.conditions,
        "codes": [code for code in codes if code.role in ("misfire", "random")],
        "adapter": screen.shop.settings.adapter,
        "cylinders": screen.job.engine.layout.cylinders,
    }


def _reading(screen: Screen) -> Response:
    facts = _test(screen)
    unit = facts["test"].unit
    chosen = screen.shop.settings.bare_unit(unit) or unit
    return screen.page(
        "reading",
        **facts,
        units=[chosen, *(one for one in (unit, *units_like(unit)) if one != chosen)],
        has_over_limit=OVER_LIMIT in UNITS[unit],
    )


def _drive(screen: Screen) -> Response:
    job = screen.job
    drive = screen.bay.clock.of(screen.row.job)
    is_over = drive is not None and drive.minutes is not None
    return screen.page(
        "drive" if is_over or screen.asked("form") else "clock",
        chosen=drive.when if drive else _words(screen.asked("when")),
        minutes=drive.minutes if drive and is_over else screen.asked("minutes"),
        so_far=drive.minutes_at(screen.shop.now()) if drive and not is_over else None,
        planned=screen.asked("minutes"),
        **_cautions(job, job.pack.running.cautions),
        feelings=job.pack.drive_feelings,
        **_findable(screen),
    )


def _clock(screen: Screen, form: Form) -> Response:
    job, now = screen.row.job, screen.shop.now()
    match form.get("tap"):
        case "begin":
            screen.bay.clock.begin(job, now, tuple(_words(conditions(form))))
        case "end":
            screen.bay.clock.end(job, now)
        case _:
            screen.bay.clock.forget(job)
    return RedirectResponse(f"{link_to(screen.ro)}/drive", 303)


def _finding(screen: Screen) -> Response:
    seq = screen.request.path_params["seq"]
    events = {event.seq: event for event in screen.find(show_job).events}
    if seq not in events:
        raise InputError(f"no event {seq} in {screen.ro}; they are numbered 0 to {len(events) - 1}")
    return screen.page("finding", event=events[seq])


def _photo(screen: Screen, form: Mapping[str, Any]) -> Response:
    name, data = form.get("picture") or ("", b"")
    if not data:
        raise InputError("choose a picture")
    of, caption = form.get("of", ""), form.get("caption", "")
    seq = int(of) if of.isdecimal() else None
    return screen.bay.once(
        form.get("key", ""),
        f"{link_to(screen.ro)}/findings",
        lambda: attach_picture(screen.shop, name, data, caption, seq, screen.ro),
    )


def _why(screen: Screen) -> Response:
    cause = screen.request.path_params.get("cause", "")
    return screen.page("why", view=screen.find(show_why, cause=cause))


def _write_up_file(screen: Screen) -> Response:
    from swapinfer.claim.document import POLICY, to_html, to_pdf

    claim, form = draft_claim(screen.shop, screen.ro), screen.request.path_params["form"]
    if form == "html":
        data, media = to_html(claim.document).encode(), "text/html; charset=utf-8"
    elif form == "pdf":
        data, media = to_pdf(claim.document, paper=claim.settings.paper), "application/pdf"
    else:
        raise InputError(f'no write-up is "{form}" here; known: html, pdf')
    name = quote(f"{screen.ro}.{form}", safe="")
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

"""The screens: each shows the facts that a command returns, and forms that record one thing."""

from __future__ import annotations

import asyncio
import secrets
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from functools import partial
from pathlib import Path
from typing import Any

import anyio.to_thread
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from swapinfer.commands.bay.deeds import Form, OvertakenError, attach, do
from swapinfer.commands.bay.door import COOKIE, Devices, Pairing
from swapinfer.commands.bay.engine import draw, part_groups
from swapinfer.commands.bay.offers import offers_of
from swapinfer.commands.belief import show_belief, show_picture
from swapinfer.commands.jobs import list_jobs
from swapinfer.commands.next import show_next
from swapinfer.commands.opening import open_
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.commands.show import show_job
from swapinfer.errors import DoubtError, SwapinferError, UnconfirmedError
from swapinfer.units import percent

HERE = Path(__file__).parent
REMEMBERED = 500
"""Forms of which it is known what came of them, so that one sent twice records once."""

POLL_SECONDS = 0.5
"""How often a job is looked at for what others record."""

SHOWN = 8
"""Causes on a screen."""


class Bay:
    """What the screens need from one request to the next.

    Parameters
    ----------
    store : str
        Where jobs are kept.
    devices, pairing
        Who may come in.
    is_private : bool
        Whether the connection is encrypted, so that the cookie is sent over no other.
    """

    def __init__(self, store: str, devices: Devices, pairing: Pairing, *, is_private: bool) -> None:
        self.store, self.devices, self.pairing = store, devices, pairing
        self.is_private = is_private
        self._done: OrderedDict[str, str] = OrderedDict()
        self._said: OrderedDict[str, Recorded] = OrderedDict()
        self.templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.filters["percent"] = percent

    def shop(self, request: Request) -> Shop:
        """Return the shop, in the name of whoever holds the device."""
        return Shop(self.store, request.state.device.name)

    def page(self, name: str, status: int = 200, **facts: object) -> HTMLResponse:
        """Fill a template in; every form on it has a key of its own."""
        key = partial(secrets.token_urlsafe, 12)
        text = self.templates.get_template(f"{name}.html").render(key=key, **facts)
        return HTMLResponse(text, status)

    def known(self, key: str) -> str | None:
        """Return where a form led that was sent before."""
        return self._done.get(key)

    def keep(self, key: str, told: Recorded, to: str) -> None:
        """Keep what came of a form."""
        self._done[key], self._said[key] = to, told
        while len(self._done) > REMEMBERED:
            self._done.popitem(last=False)
            self._said.popitem(last=False)

    def said(self, key: str) -> Recorded | None:
        """Return what was told of a form."""
        return self._said.get(key)


def screens(bay: Bay) -> Starlette:
    """Return the page's application, without the door in front of it."""

    def screen(function: Callable[..., Response]) -> Callable[..., Any]:
        async def answer(request: Request) -> Response:
            form = await _form(request) if request.method == "POST" else None
            call = (
                partial(function, bay, request)
                if form is None
                else partial(function, bay, request, form)
            )
            try:
                return await anyio.to_thread.run_sync(call)
            except SwapinferError as error:
                return bay.page("problem", 400, problem=str(error), back=_back(request))

        return answer

    def route(path: str, function: Callable[..., Response], *methods: str) -> Route:
        return Route(path, screen(function), methods=list(methods) or ["GET"])

    return Starlette(
        routes=[
            route("/", _jobs),
            route("/open", _new_job),
            route("/open", _open_job, "POST"),
            route("/pair/{token}", _offer_pairing),
            route("/pair/{token}", _pair, "POST"),
            route("/job/{ro}", _next),
            route("/job/{ro}/do", _do, "POST"),
            route("/job/{ro}/engine", _engine),
            route("/job/{ro}/part/{place}", _part),
            route("/job/{ro}/drive", _drive),
            route("/job/{ro}/reading/{test}", _reading),
            route("/job/{ro}/findings", _findings),
            route("/job/{ro}/belief", _belief),
            Route("/job/{ro}/photo", partial(_photo, bay), methods=["POST"]),
            Route("/job/{ro}/changes", partial(_changes, bay)),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]
    )


async def _form(request: Request) -> Form:
    async with request.form() as form:
        return {name: value for name, value in form.items() if isinstance(value, str)}


def _back(request: Request) -> str:
    ro = request.path_params.get("ro")
    return f"/job/{ro}" if ro else "/"


def _jobs(bay: Bay, request: Request) -> Response:
    with bay.shop(request) as shop:
        try:
            jobs = list_jobs(shop).jobs
        except SwapinferError:  # no store yet: there are no jobs
            jobs = ()
    return bay.page("jobs", jobs=jobs)


def _new_job(bay: Bay, request: Request) -> Response:
    with bay.shop(request) as shop:
        pack = shop.pack
    return bay.page("open", layouts=pack.layouts.values(), fitments=pack.fitments, draw=draw)


def _open_job(bay: Bay, request: Request, form: Form) -> Response:
    ro = form.get("ro", "").strip()
    with bay.shop(request) as shop:
        open_(
            shop,
            ro,
            layout=form.get("layout", ""),
            ignition=form.get("ignition", ""),
            fuel=form.get("fuel", ""),
            complaint=form.get("complaint", ""),
            odometer=form.get("odometer", ""),
        )
    return RedirectResponse(f"/job/{ro}", 303)


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


def _next(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        loaded = shop.load(ro)
        told = bay.said(request.query_params.get("after", ""))
        if loaded.job.closing:
            return bay.page("closed", job=show_job(shop, ro), seen=len(loaded.records), told=told)
        view = show_next(shop, ro=ro)
        chosen = request.query_params.get("step", "")
        step = next((s for s in view.steps if s.id == chosen), view.steps[0])
        return bay.page(
            "next",
            ro=ro,
            view=view,
            step=step,
            offers=offers_of(loaded.job, step),
            others=[s for s in view.steps if s is not step][:4],
            seen=len(loaded.records),
            told=told,
        )


def _do(bay: Bay, request: Request, form: Form) -> Response:
    ro, key = request.path_params["ro"], form.get("key", "")
    if to := bay.known(key):
        return RedirectResponse(to, 303)
    with bay.shop(request) as shop:
        try:
            told = do(shop, ro, form)
        except OvertakenError:
            return bay.page(
                "overtaken", 409, ro=ro, form=form, events=show_job(shop, ro).events[-3:],
                seen=len(shop.load(ro).records),
            )  # fmt: skip
        except (DoubtError, UnconfirmedError) as doubt:
            again = {**form, "insists": "yes"}
            return bay.page("doubt", 409, ro=ro, form=again, doubt=str(doubt))
    to = f"/job/{ro}?after={key}"
    bay.keep(key, told, to)
    return RedirectResponse(to, 303)


def _engine(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        job = shop.load(ro).job
        picture = show_picture(shop, ro)
        return bay.page(
            "engine",
            ro=ro,
            drawing=draw(job.engine.layout, picture.cylinders),
            shared=picture.shared,
            groups=part_groups(job),
        )


def _part(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        loaded = shop.load(ro)
        engine = loaded.job.engine
        place = engine.find_place(request.path_params["place"])
        kind = engine.kinds[place.kind]
        others = [p for p in engine.places_for(place.kind) if p != place] if kind.movable else []
        return bay.page(
            "part", ro=ro, place=place, kind=kind, others=others, seen=len(loaded.records)
        )


def _drive(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        loaded = shop.load(ro)
        running = loaded.job.pack.running
        return bay.page(
            "drive",
            ro=ro,
            conditions=running.conditions,
            chosen=request.query_params.get("when", "").split(","),
            minutes=request.query_params.get("minutes", ""),
            cautions=[loaded.job.pack.cautions[name].text for name in running.cautions],
            cylinders=loaded.job.engine.layout.cylinders,
            feelings=loaded.job.pack.drive_feelings,
            seen=len(loaded.records),
        )


def _reading(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        loaded = shop.load(ro)
        test = loaded.job.engine.tests[request.path_params["test"]]
        targets = request.query_params.get("on", "").split(",")
        return bay.page(
            "reading",
            ro=ro,
            test=test,
            targets=[t for t in targets if t] or list(loaded.job.engine.target_places(test.target)),
            unit=shop.settings.bare_unit(test.unit) or test.unit,
            seen=len(loaded.records),
        )


def _findings(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        job = show_job(shop, ro)
        return bay.page("findings", ro=ro, job=job, seen=len(shop.load(ro).records))


def _belief(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]
    with bay.shop(request) as shop:
        view = show_belief(shop, ro)
    intervals = {one.element: one for one in view.intervals}
    return bay.page("belief", ro=ro, causes=view.causes[:SHOWN], intervals=intervals)


async def _photo(bay: Bay, request: Request) -> Response:
    ro = request.path_params["ro"]

    def keep(name: str, data: bytes) -> Response:
        try:
            with bay.shop(request) as shop:
                attach(shop, ro, name, data)
        except SwapinferError as error:
            return bay.page("problem", 400, problem=str(error), back=f"/job/{ro}/findings")
        return RedirectResponse(f"/job/{ro}/findings", 303)

    async with request.form(max_files=1) as form:
        picture = form.get("picture")
        if picture is None or isinstance(picture, str):
            return bay.page("problem", 400, problem="choose a picture", back=f"/job/{ro}/findings")
        data = await picture.read()
        return await anyio.to_thread.run_sync(keep, picture.filename or "", data)


async def _changes(bay: Bay, request: Request) -> Response:
    """Tell when someone records something on a job, as server-sent events."""

    def length() -> int:
        with bay.shop(request) as shop:
            return len(shop.load(request.path_params["ro"]).records)

    async def stream() -> AsyncIterator[str]:
        seen = await anyio.to_thread.run_sync(length)
        yield "retry: 2000\n\n"
        while not await request.is_disconnected():
            await asyncio.sleep(POLL_SECONDS)
            now = await anyio.to_thread.run_sync(length)
            if now != seen:
                seen = now
                yield "data: changed\n\n"

    return StreamingResponse(stream(), media_type="text/event-stream")

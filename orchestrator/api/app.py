"""The HTTP API of the daemon: the same commands as in a shell, for programs and for the screen."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import aclosing, suppress
from dataclasses import asdict
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import JSONResponse
from starlette.types import Receive, Scope, Send

from orchestrator.api.engine import ENGINE_LOST, EngineLost, abort, status_now, talk
from orchestrator.api.feed import Feed
from orchestrator.api.looks import add_looks
from orchestrator.api.orders import (
    AnswerOrder,
    Controlled,
    ControlOrder,
    Done,
    GoOnOrder,
    Order,
    Refusal,
    ResumeOrder,
    Started,
    StartOrder,
    Status,
)
from orchestrator.daemon.lines import user_name
from orchestrator.daemon.places import Places

Facts = dict[str, Any]
SLOW_READER_S = 10.0
CONTROL_HEADER = "x-benchward-control"
ACT_WITHIN_S = 30.0
DESCRIPTION = """\
One daemon serves one bench. **Caution:** stored energy, arc, shock and fire can kill. The hardware interlock chain is
the safety function, this software is not. `POST /abort` is no emergency stop: that is the red button.

Whoever is named in `by` is recorded as declared; without it the user of the socket is the person.
"""
REFUSALS: dict[int | str, dict[str, Any]] = {
    409: {"model": Refusal, "description": "not done, and why"},
    503: {"model": Refusal, "description": "the engine is lost: treat the bench as live"},
}


def make_app(places: Places, token: str) -> FastAPI:
    """The application for one daemon."""
    app = FastAPI(
        title="Benchward",
        version="1",
        description=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        separate_input_output_schemas=False,
    )
    app.state.places, app.state.token = places, token
    _add_looking(app, places, token)
    _add_acts(app, places, token)
    _add_records(app, places)
    add_looks(app, places)

    @app.exception_handler(EngineLost)
    async def lost(request: Request, error: EngineLost) -> JSONResponse:
        help_ = "treat the bench as live; POST /abort still works; then restart the daemon"
        return JSONResponse({"ok": False, "code": "engine-lost", "sentence": f"{error}.", "help": help_}, 503)

    return app


def person(request: Request, by: str | None) -> Facts | None:
    """Who acts: the name declared, or the socket's user where the kernel told it."""
    control = {"control": token} if (token := request.headers.get(CONTROL_HEADER)) else {}
    if by:
        return {"name": by, "how": "declared", **control}
    uid = request.client.host if request.client else ""
    return {"name": user_name(int(uid)), "how": "peer", **control} if uid.isdecimal() else None


def _add_looking(app: FastAPI, places: Places, token: str) -> None:
    @app.get("/status", response_model=Status, summary="may I go in, what is going on, what do I do")
    async def status() -> Facts:
        """Always answered: what is not known is said to be not known."""
        return await status_now(places, token)

    feed = Feed(places, token)

    @app.get("/events", summary="journal entries and statuses as they come (server-sent events)")
    async def events() -> EventStream:
        """`event: event` holds a journal entry, `event: status` the three questions, `event: ended` a run's end."""
        return EventStream(feed)


def _add_acts(app: FastAPI, places: Places, token: str) -> None:
    async def act(do: str, who: Facts | None, **args: Any) -> JSONResponse:
        try:
            async with asyncio.timeout(ACT_WITHIN_S), talk(places, token) as one:
                reply = await one.call(do, who, **args)
        except TimeoutError as error:
            raise EngineLost(ENGINE_LOST) from error
        reply.pop("id", None)
        return JSONResponse(reply, 200 if reply.get("ok") else 409)

    @app.post("/start", response_model=Started, responses=REFUSALS, summary="start a run")
    async def start(request: Request, order: StartOrder) -> JSONResponse:
        """Refused with a sentence for findings (all of them), a spent specimen, a lapsed calibration, a full disk."""
        return await act("start", person(request, order.by), **order.model_dump(exclude={"by"}))

    @app.post(
        "/go-on", response_model=Started, responses=REFUSALS, summary="go on with a stopped run of cycles"
    )
    async def go_on(request: Request, order: GoOnOrder) -> JSONResponse:
        """Refused where sequence, bench or record is not as it was; what is found is accepted by a named person."""
        facts = order.model_dump(exclude={"by", "run"})
        return await act("start", person(request, order.by), go_on_with=order.run, **facts)

    @app.post("/answer", response_model=Done, responses=REFUSALS, summary="answer the open question")
    async def answer(request: Request, order: AnswerOrder) -> JSONResponse:
        """What is confirmed goes into the record under the person's name."""
        return await act("answer", person(request, order.by), **order.model_dump(exclude={"by"}))

    @app.post("/abort", response_model=Done, responses=REFUSALS, summary="stop at once")
    async def abort_now(request: Request, order: Order | None = None) -> JSONResponse:
        """Straight to the interlock monitor: works while the engine hangs. Whether it is off: GET /status."""
        who = person(request, order.by if order else None) or {"name": "somebody"}
        if await abort(places, token, who):
            return JSONResponse(
                {"ok": True, "sentence": "Aborting. Look at the status for the proof of off."}
            )
        sentence = "The interlock monitor does not answer: treat the bench as live, cut the mains by hand."
        return JSONResponse(
            {"ok": False, "code": "monitor-lost", "sentence": sentence, "help": "stay out"}, 503
        )

    @app.post(
        "/take-control", response_model=Controlled, responses=REFUSALS, summary="have control of the bench"
    )
    async def take_control(request: Request, order: ControlOrder) -> JSONResponse:
        """Refused while somebody else has it, unless `over` says that it is taken over; that is recorded. The reply's
        `control` belongs into the header x-benchward-control of every later order."""
        token = request.headers.get(CONTROL_HEADER)
        return await act("take_control", person(request, order.by), over=order.over, control=token)

    @app.post(
        "/keep-control", response_model=Done, responses=REFUSALS, summary="whoever has it is still there"
    )
    async def keep_control(request: Request, order: Order | None = None) -> JSONResponse:
        """Control lapses when nothing is heard of its owner for half a minute; any order says the same as this."""
        who = person(request, order.by if order else None)
        return await act("keep_control", who, control=request.headers.get(CONTROL_HEADER))

    @app.post("/give-control", response_model=Done, responses=REFUSALS, summary="give control back")
    async def give_control(request: Request, order: Order | None = None) -> JSONResponse:
        who = person(request, order.by if order else None)
        return await act("give_control", who, control=request.headers.get(CONTROL_HEADER))

    @app.post("/resume", response_model=Done, responses=REFUSALS, summary="go on with a paused run")
    async def resume(request: Request, order: ResumeOrder | None = None) -> JSONResponse:
        """Refused where a calibration lapses, since the pause, before the planned end."""
        more = order.model_dump(exclude={"by"}, exclude_none=True) if order else {}
        return await act("resume", person(request, order.by if order else None), **more)

    for do, summary in (
        ("pause", "hold after the present shot"),
        ("release", "release a blocked start, once off is proven; the test operator in charge"),
        ("acknowledge", "a failure of the software was looked into"),
    ):
        app.add_api_route(
            f"/{do}", _simple(do, act), methods=["POST"], response_model=Done, responses=REFUSALS,
            summary=summary, operation_id=do,
        )  # fmt: skip


def _simple(do: str, act: Callable[..., Awaitable[JSONResponse]]) -> Callable[..., Awaitable[JSONResponse]]:
    async def route(request: Request, order: Order | None = None) -> JSONResponse:
        return await act(do, person(request, order.by if order else None))

    return route


def _add_records(app: FastAPI, places: Places) -> None:
    @app.get("/runs", summary="the runs of the data folder, oldest first")
    def runs(specimen: str | None = None) -> list[Facts]:
        """Also those that were interrupted."""
        from orchestrator.record.index import Index

        index = Index(places.data)
        try:
            return [asdict(one) for one in index.find(specimen=specimen)]
        finally:
            index.close()

    @app.get("/runs/{run}", summary="one run: its journal", responses={404: {"description": "no such run"}})
    def one_run(run: str) -> Facts:
        """What the run folder's journal says, whether or not the run is sealed."""
        from orchestrator.record.reader import read_run
        from orchestrator.record.specimens import run_folders

        folder = next((path for path in run_folders(places.data) if path.name == run), None)
        if folder is None:
            raise HTTPException(404, f"There is no run {run}; GET /runs lists them.")
        record = read_run(folder)
        return {"run": record.run, "folder": str(folder), "sealed": record.sealed, "journal": record.entries}


class EventStream(JSONResponse):
    """Server-sent events from the engine. A reader that takes nothing for `SLOW_READER_S` is dropped."""

    media_type = "text/event-stream"

    def __init__(self, feed: Feed) -> None:
        super().__init__(None)
        self._feed = feed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"cache-control", b"no-store")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        streaming = asyncio.create_task(self._stream(send))
        leaving = asyncio.create_task(_left(receive))
        _, pending = await asyncio.wait({streaming, leaving}, return_when=asyncio.FIRST_COMPLETED)
        for task in pending:
            task.cancel()

    async def _stream(self, send: Send) -> None:
        with suppress(TimeoutError):  # it does not read
            async with aclosing(self._feed.listen()) as texts:
                async for text in texts:
                    async with asyncio.timeout(SLOW_READER_S):
                        await send({"type": "http.response.body", "body": text, "more_body": True})
            async with asyncio.timeout(SLOW_READER_S):
                await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass

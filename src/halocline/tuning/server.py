"""The page's server: for one person on this machine.

It listens on 127.0.0.1 alone. The address it prints holds a token that opens the page once; from then on
the browser has a cookie, which no other site can send. Requests with a foreign Host or Origin are refused, so
that no page from elsewhere can reach it, by a name that was turned to this machine or otherwise.

Pages talk over a web socket: text for what is asked and told, binary for pictures, each with the number of
the preset's state it shows. A page that asks faster than pictures are made gets the newest, not all.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import secrets
import socket as sockets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import partial
from importlib.resources import files
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from halocline.batch.events import as_halocline_error
from halocline.errors import HaloclineError
from halocline.graph.engine import NoLongerWanted
from halocline.matching.match import Match
from halocline.presets.document import shipped_names
from halocline.presets.preset import Preset
from halocline.tuning.keys import keys_of_part, model
from halocline.tuning.pictures import Pictures, ShownPicture, Wish, encoded
from halocline.tuning.plots import plots
from halocline.tuning.reference import Taken, taken_over, told_of
from halocline.tuning.session import Session, State, problems_of

COOKIE = "halocline"
PAGE_FILES = {
    "style.css": "text/css",
    "main.js": "text/javascript",
    "curve.js": "text/javascript",
    "focus.js": "text/javascript",
    "keys.js": "text/javascript",
    "match.js": "text/javascript",
    "picture.js": "text/javascript",
    "plots.js": "text/javascript",
}
LONGEST_MESSAGE = 1 << 20
# What a page asks while it is answered waits its turn.
MOST_ASKED = 64
PLOTS_AFTER_S = 0.3
# So long all that is told of a preset waits for its first picture, which it would take the processor from.
TOLD_WITHIN_S = 0.15
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' blob: data:; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}


class Server:
    """One session, shown on as many pages as there are tabs.

    Parameters
    ----------
    session, pictures
        What is tuned, and on which frames.
    port
        Port that the page is served on; it is part of what Host and Origin are checked against.
    """

    def __init__(self, session: Session, pictures: Pictures, port: int) -> None:
        self.session, self.pictures, self.port = session, pictures, port
        self.token = secrets.token_urlsafe(24)
        self._token_used = False
        self._cookie = secrets.token_urlsafe(24)
        self._tabs: set[_Tab] = set()
        # Pages change one preset: one after the other. Pictures are made one at a time: who waits for a turn
        # keeps no thread, and a page that goes away waits no longer.
        self.changing, self.drawing = asyncio.Lock(), asyncio.Lock()
        self.app = Starlette(
            routes=[
                Route("/", self._page),
                Route("/page/{name}", self._file),
                WebSocketRoute("/live", self._live),
            ]
        )

    @property
    def address(self) -> str:
        """The address to open, with its token."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"

    async def changed(self) -> None:
        """Tell every page that the preset has changed, and make their pictures anew."""
        tabs = tuple(self._tabs)
        for tab in tabs:
            tab.wake()
        if tabs:
            # Threads of Python take turns: a first picture comes sooner where nothing else is reckoned.
            first = [asyncio.create_task(tab.first_look.wait()) for tab in tabs]
            _, late = await asyncio.wait(first, timeout=TOLD_WITHIN_S)
            for each in late:
                each.cancel()
        told = await asyncio.to_thread(self.told)
        for tab in tuple(self._tabs):
            await tab.tell(told)

    def first_look_waits(self, besides: _Tab) -> bool:
        """Tell whether another page waits for its first look: a finished picture gives way to that."""
        return any(tab.wants_first_look for tab in tuple(self._tabs) if tab is not besides)

    def told(self) -> dict[str, Any]:
        """Return what pages are told of the preset, and of what its frames have."""
        try:
            mattes = self.pictures.mattes(self.session.state.preset)
        except HaloclineError:
            # A frame that cannot be read is told of where its picture would be.
            mattes = ()
        return {"is": "preset", **model(self.session, self.pictures.numbers), "mattes": mattes}

    async def _page(self, request: Request) -> Response:
        if not self._is_own(request):
            return _refused("This page is for this machine alone.")
        given = request.query_params.get("token", "")
        if given:
            if self._token_used or not hmac.compare_digest(given.encode(), self.token.encode()):
                return _refused("This address has been used, or is not right. Start halocline tune again.")
            self._token_used = True
            response = RedirectResponse("/", status_code=303, headers=HEADERS)
            response.set_cookie(COOKIE, self._cookie, httponly=True, samesite="strict")
            return response
        if not self._has_cookie(request):
            return _refused("Open the address that halocline tune printed.")
        return _page_file("index.html", "text/html")

    async def _file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if not self._is_own(request) or not self._has_cookie(request) or name not in PAGE_FILES:
            return _refused("There is nothing here.", status=404)
        return _page_file(name, PAGE_FILES[name])

    async def _live(self, socket: WebSocket) -> None:
        if not (self._is_own(socket) and self._has_cookie(socket) and self._same_origin(socket)):
            await socket.close(code=1008)
            return
        try:
            await socket.accept()
        except (WebSocketDisconnect, RuntimeError):
            # It was gone before it was answered.
            return
        tab = _Tab(self, socket)
        self._tabs.add(tab)
        try:
            await tab.run()
        finally:
            self._tabs.discard(tab)

    def _is_own(self, connection: HTTPConnection) -> bool:
        return connection.headers.get("host") in (f"127.0.0.1:{self.port}", f"localhost:{self.port}")

    def _same_origin(self, connection: HTTPConnection) -> bool:
        host = connection.headers.get("host")
        return connection.headers.get("origin") == f"http://{host}"

    def _has_cookie(self, connection: HTTPConnection) -> bool:
        given = connection.cookies.get(COOKIE, "")
        return hmac.compare_digest(given.encode(), self._cookie.encode())


class _Tab:
    """One page: what it wants to see, and its newest picture."""

    def __init__(self, server: Server, socket: WebSocket) -> None:
        self.server, self.socket = server, socket
        self.wish = Wish(frame=server.pictures.numbers[0])
        self.beside: str = ""
        self._found: Match | None = None
        self.loop = asyncio.get_running_loop()
        self.first_look = asyncio.Event()
        self._due = asyncio.Event()
        self._gone = self._waits = False
        self._sending = asyncio.Lock()

    def wake(self) -> None:
        """Have the picture made anew."""
        self.first_look.clear()
        self._due.set()

    def unwanted(self, *, coarse: bool, gives_way: bool) -> bool:
        """Tell whether nobody waits any more for a picture of what was asked for, or others come first."""
        # A first look is always shown: while a key is turned, the pictures follow it.
        if coarse:
            return self._gone
        return self._gone or self._due.is_set() or (gives_way and self.server.first_look_waits(self))

    @property
    def wants_first_look(self) -> bool:
        """Whether somebody waits for a first look."""
        return not self._gone and (self._waits or self._due.is_set())

    async def tell(self, message: dict[str, Any]) -> None:
        """Send a message, if the page is still there."""
        async with self._sending:
            with suppress(WebSocketDisconnect, RuntimeError):
                await self.socket.send_text(json.dumps(message))

    async def run(self) -> None:
        """Serve the page until it goes away."""
        told = await asyncio.to_thread(self.server.told)
        pictures = self.server.pictures
        await self.tell(
            {
                "is": "start",
                "frames": pictures.numbers,
                "has_reference": pictures.reference is not None,
                "presets": [*map(str, self.server.session.versions()), *shipped_names()],
            }
        )
        await self.tell(told)
        self.wake()
        making = asyncio.create_task(self._make_pictures())
        asked: asyncio.Queue[str] = asyncio.Queue(MOST_ASKED)
        answering = asyncio.create_task(self._answer_all(asked))
        try:
            # Whoever goes away is known to be gone, whatever is being answered meanwhile.
            while (message := await self.socket.receive())["type"] == "websocket.receive":
                # What is no text is nothing that the page sends.
                text = message.get("text") or ""
                if len(text) <= LONGEST_MESSAGE:
                    await asked.put(text)
        except (WebSocketDisconnect, RuntimeError):
            # Gone: closed by either side.
            pass
        finally:
            self._gone = True
            self.first_look.set()
            making.cancel()
            await self._finished(asked, answering)

    async def _answer_all(self, asked: asyncio.Queue[str]) -> None:
        """Answer one thing after the other as long as somebody is there."""
        while not self._gone:
            await self._answer(await asked.get())

    async def _finished(self, asked: asyncio.Queue[str], answering: asyncio.Task[None]) -> None:
        """Wait for the answer under way: a change that has begun is made, and its turn ends with it."""
        if asked.empty():
            await asked.put("")
        await answering

    async def _answer(self, text: str) -> None:
        try:
            asked = json.loads(text)
            answer = _ANSWERS[asked["do"]]
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        try:
            await answer(self, asked)
        except (KeyError, TypeError, ValueError, OverflowError):
            await self.tell({"is": "problem", "path": None, "problems": [_NOT_UNDERSTOOD]})
        except Exception as error:
            await self.tell({"is": "problem", "path": asked.get("path"), "problems": self._told_of(error)})

    async def set_keys(self, asked: dict[str, Any]) -> None:
        """Set keys of the preset."""
        settings = [str(each) for each in asked["settings"]]
        async with self.server.changing:
            await asyncio.to_thread(self.server.session.change, settings, str(asked.get("gesture", "")))
        await self.server.changed()

    async def move(self, asked: dict[str, Any]) -> None:
        """Move a step or a part one place."""
        table, _, name = str(asked["path"]).partition(".")
        async with self.server.changing:
            await asyncio.to_thread(self.server.session.move, table, name, 1 if asked["later"] else -1)
        await self.server.changed()

    async def place(self, asked: dict[str, Any]) -> None:
        """Put an origin where the page's frame shows a point."""
        across, down = (float(share) for share in asked["point"])
        name, frame = str(asked["name"]), int(asked["frame"])
        async with self.server.changing:
            await asyncio.to_thread(self.server.session.place_origin, name, (across, down), frame)
        await self.server.changed()

    async def of_part(self, asked: dict[str, Any]) -> None:
        """Tell of a key that a part could state."""
        path = tuple(str(each) for each in asked["key"])
        server = self.server
        keys = await asyncio.to_thread(keys_of_part, server.session, path, server.pictures.numbers)
        await self.tell({"is": "of_part", "key": list(path), "keys": keys})

    async def undo(self, _: dict[str, Any]) -> None:
        """Take a change back."""
        await self._go(self.server.session.undo)

    async def undo_all(self, _: dict[str, Any]) -> None:
        """Take all changes back."""
        await self._go(self.server.session.undo_all)

    async def redo(self, _: dict[str, Any]) -> None:
        """Make a change again."""
        await self._go(self.server.session.redo)

    async def _go(self, move: Callable[[], object]) -> None:
        """Go through the changes, not while one is being made."""
        async with self.server.changing:
            move()
        await self.server.changed()

    async def save(self, _: dict[str, Any]) -> None:
        """Save a version, and tell the command that renders with it."""
        session = self.server.session
        async with self.server.changing:
            path = await asyncio.to_thread(session.save)
        await self.server.changed()
        # Last, so that it stays to be read.
        await self.tell({"is": "saved", "file": str(path), "command": session.command(path)})

    async def look(self, asked: dict[str, Any]) -> None:
        """Look at something else."""
        self.wish = replace(
            self.wish,
            frame=int(asked.get("frame", self.wish.frame)),
            exposure=max(-10.0, min(10.0, float(asked.get("exposure", self.wish.exposure)))),
            shows=shows if (shows := asked.get("shows")) in ("range", "reference") else "picture",
            step=str(asked.get("step", "")),
        )
        self.beside = str(asked.get("beside", ""))
        self.wake()

    async def probe(self, asked: dict[str, Any]) -> None:
        """Tell what there is at a pixel."""
        place = int(asked["x"]), int(asked["y"])
        async with self.server.drawing:
            if self._gone:
                return
            state = self.server.session.state
            told = await asyncio.to_thread(
                self.server.pictures.probe, state.preset, state.number, self.wish.frame, *place
            )
        await self.tell({"is": "probe", **told})

    async def match(self, asked: dict[str, Any]) -> None:
        """Find the water of samples marked on the reference still, and tell of it."""
        self._found = None
        view = asked.get("view")
        usual = Taken()
        taken = Taken(
            None if view is None else float(view),
            str(asked.get("depth") or usual.depth),
            float(_stated(asked.get("sun_elevation"), usual.sun_elevation_deg)),
            float(_stated(asked.get("overcast"), usual.overcast)),
            bool(asked.get("balanced", False)),
        )
        samples = [str(each) for each in asked["samples"]]
        try:
            self._found = await asyncio.to_thread(self.server.pictures.still().match, samples, taken)
        finally:
            lines = [] if self._found is None else told_of(self._found)
            await self.tell({"is": "matched", "lines": lines})

    async def take_over(self, _: dict[str, Any]) -> None:
        """Set in the preset what the last match of this page found."""
        if self._found is None:
            return
        async with self.server.changing:
            await asyncio.to_thread(self.server.session.take_over, taken_over(self._found))
        await self.server.changed()

    async def strip(self, _: dict[str, Any]) -> None:
        """Send small pictures of frames through the sequence."""
        state = self.server.session.state
        async with self.server.drawing:
            if self._gone:
                return
            strip = await asyncio.to_thread(self.server.pictures.strip, state.preset)
        for number, pixels in strip:
            data = await asyncio.to_thread(encoded, pixels, coarse=True)
            await self._send_picture({"is": "strip", "frame": number}, data)

    async def _make_pictures(self) -> None:
        """Make the newest picture that is wanted: coarse, then fine unless it is no longer wanted."""
        while True:
            await self._due.wait()
            self._waits = True
            self._due.clear()
            state, wish, beside = self.server.session.state, self.wish, self.beside
            try:
                await self._make(state, wish, beside, coarse=True)
                self._looked_at()
                await self._finish(state, wish, beside)
                # While keys are turned, nobody reads what the pictures would have to wait for.
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._due.wait(), PLOTS_AFTER_S)
                if not self._due.is_set():
                    await self._tell_plots(state, wish)
            except NoLongerWanted:
                continue
            except Exception as error:
                # Whatever befalls one picture, the next is made; what nobody foresaw goes to the log as well.
                self._looked_at()
                told = {"path": None, "problems": self._told_of(error), "number": state.number}
                await self.tell({"is": "problem", **told})

    def _told_of(self, error: Exception) -> list[dict[str, Any]]:
        if isinstance(error, HaloclineError):
            return problems_of(error)
        tasks = self.server.pictures.tasks
        return problems_of(as_halocline_error(error, tasks.get(self.wish.frame, next(iter(tasks.values())))))

    def _looked_at(self) -> None:
        """Let those go on who wait for a first look, unless another is due."""
        if not self._due.is_set():
            self.first_look.set()

    async def _tell_plots(self, state: State, wish: Wish) -> None:
        with suppress(HaloclineError):
            lens = await asyncio.to_thread(self.server.pictures.lens, state.preset, wish.frame)
            told = await asyncio.to_thread(plots, state.preset, wish.frame, lens)
            await self.tell({"is": "plots", "number": state.number, **told})

    async def _finish(self, state: State, wish: Wish, beside: str) -> None:
        """Make a picture of all pixels; once it gives way to the first look of another page."""
        try:
            await self._make(state, wish, beside, coarse=False, gives_way=True)
        except NoLongerWanted:
            if self.unwanted(coarse=False, gives_way=False):
                raise
            # Else a page that plays its frames would keep this one waiting for ever.
            await self._make(state, wish, beside, coarse=False)

    async def _make(
        self, state: State, wish: Wish, beside: str, *, coarse: bool, gives_way: bool = False
    ) -> None:
        wanted = [("main", wish)]
        if beside:
            wanted.append(("beside", replace(wish, shows=beside, step="")))
        for place, each in wanted:
            unwanted = partial(self.unwanted, coarse=coarse, gives_way=gives_way)
            self._waits = coarse
            async with self.server.drawing:
                self._waits = False
                data, made = await asyncio.to_thread(
                    self._drawn, state.preset, each, coarse=coarse, unwanted=unwanted
                )
            # What was made fine for a state that has passed is never shown.
            if coarse or state.number == self.server.session.state.number:
                head = {
                    "is": "picture",
                    "place": place,
                    "number": state.number,
                    "frame": each.frame,
                    "coarse": coarse,
                    "shows": each.shows,
                    "full": made.size,
                    "block": made.block,
                }
                await self._send_picture(head, data)

    def _drawn(
        self, preset: Preset, wish: Wish, *, coarse: bool, unwanted: Callable[[], bool]
    ) -> tuple[bytes, ShownPicture]:
        """Return a picture for the browser, and what it is."""
        if unwanted():
            raise NoLongerWanted
        made = self.server.pictures.picture(preset, wish, coarse=coarse, unwanted=unwanted)
        return encoded(made.pixels, coarse=coarse), made

    async def _send_picture(self, head: dict[str, Any], data: bytes) -> None:
        text = json.dumps(head).encode()
        async with self._sending:
            with suppress(WebSocketDisconnect, RuntimeError):
                await self.socket.send_bytes(len(text).to_bytes(4, "big") + text + data)


_NOT_UNDERSTOOD = {"where": "", "text": "this was not understood", "fix": "Reload the page.", "code": ""}
_ANSWERS: dict[str, Callable[[_Tab, dict[str, Any]], Any]] = {
    "set": _Tab.set_keys,
    "move": _Tab.move,
    "place": _Tab.place,
    "of_part": _Tab.of_part,
    "undo": _Tab.undo,
    "undo_all": _Tab.undo_all,
    "redo": _Tab.redo,
    "save": _Tab.save,
    "look": _Tab.look,
    "probe": _Tab.probe,
    "strip": _Tab.strip,
    "match": _Tab.match,
    "take_over": _Tab.take_over,
}


def _stated(value: Any, usual: float) -> Any:
    """Return what a page says; the usual where its box is empty."""
    return usual if value is None else value


def _page_file(name: str, kind: str) -> Response:
    data = files("halocline.tuning").joinpath("page", name).read_bytes()
    return Response(data, media_type=kind, headers=HEADERS)


def _refused(text: str, status: int = 403) -> Response:
    return PlainTextResponse(text, status_code=status, headers=HEADERS)


def serve(
    session: Session, pictures: Pictures, *, port: int = 0, ready: Callable[[Server, Any], None]
) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    session, pictures
        What is tuned, and on which frames.
    port
        Port; one that is free where 0.
    ready
        Is handed the server once its address is known, and what stops it (`should_exit`).
    """
    listening = sockets.socket(sockets.AF_INET, sockets.SOCK_STREAM)
    listening.setsockopt(sockets.SOL_SOCKET, sockets.SO_REUSEADDR, 1)
    listening.bind(("127.0.0.1", port))
    # From here on a browser that is quick is kept waiting, not turned away.
    listening.listen()
    server = Server(session, pictures, listening.getsockname()[1])
    config = uvicorn.Config(
        server.app, log_level="warning", access_log=False, lifespan="off", ws_max_size=LONGEST_MESSAGE
    )
    running = uvicorn.Server(config)
    ready(server, running)
    with listening:
        running.run(sockets=[listening])

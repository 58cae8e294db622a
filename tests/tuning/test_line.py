"""The page's line to its server, without a browser: who may open it, what it bears, who waits for whom."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from threading import Event
from typing import Any
from urllib.error import HTTPError
from urllib.request import HTTPRedirectHandler, Request, build_opener

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync import client

from halocline.graph.engine import NoLongerWanted
from halocline.tuning import server as page_server
from halocline.tuning.pictures import Pictures, ShownPicture
from halocline.tuning.session import Session, State

# Its overloads know no origin that is missing. A server that shares its processors answers late.
connect: Any = partial(client.connect, open_timeout=60)


class NoRedirect(HTTPRedirectHandler):
    """Shows where an answer leads, and does not go there."""

    def redirect_request(self, *_: Any) -> None:
        return None


def answer(address: str, **headers: str) -> tuple[int, str, str]:
    """Return status, cookie and text of an answer."""
    try:
        with build_opener(NoRedirect()).open(Request(address, headers=headers)) as found:
            return found.status, found.headers.get("Set-Cookie", ""), found.read().decode()
    except HTTPError as error:
        return error.code, error.headers.get("Set-Cookie", "") or "", error.read().decode()


@contextmanager
def lines(one: Any, count: int = 1) -> Iterator[list[Any]]:
    """Open lines as pages do, and wait until each has its first fine picture."""
    _, cookie, _ = answer(one.address)
    given = {"Cookie": cookie.partition(";")[0]}
    with ExitStack() as opened:
        made = [
            opened.enter_context(
                connect(f"ws://{one.host}/live", origin=f"http://{one.host}", additional_headers=given)
            )
            for _ in range(count)
        ]
        for line in made:
            until(line, lambda message: message["is"] == "picture" and not message["coarse"])
        yield made


def heard(line: Any) -> dict[str, Any]:
    """Return the next message; of a picture, what it is."""
    message = line.recv(60)
    if isinstance(message, str):
        return dict(json.loads(message))
    length = int.from_bytes(message[:4], "big")
    return dict(json.loads(message[4 : 4 + length]))


def until(line: Any, wanted: Callable[[dict[str, Any]], bool]) -> list[dict[str, Any]]:
    """Return the messages up to the first that is wanted."""
    messages = [heard(line)]
    while not wanted(messages[-1]):
        messages.append(heard(line))
    return messages


def ask(line: Any, do: str, **asked: Any) -> None:
    line.send(json.dumps({"do": do, **asked}))


def test_the_address_opens_once_and_only_with_its_token(serve: Any, frames: str) -> None:
    with serve("jerlov-1c", frames) as one:
        root = f"http://{one.host}/"
        assert answer(root)[0] == 403
        assert answer(f"{root}?token=wrong")[0] == 403
        assert answer(f"{root}page/main.js")[0] == 404
        status, cookie, _ = answer(one.address)
        assert status == 303
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        assert answer(one.address)[0] == 403, "a token opens once"
        mine = {"Cookie": cookie.partition(";")[0]}
        assert answer(root, **mine)[0] == 200
        assert answer(root, Host="evil.example", **mine)[0] == 403
        assert answer(f"{root}page/..%2fserver.py", **mine)[0] == 404


def test_the_line_is_closed_to_foreign_origins_and_to_those_without_a_cookie(serve: Any, frames: str) -> None:
    with serve("jerlov-1c", frames) as one:
        _, cookie, _ = answer(one.address)
        mine = {"Cookie": cookie.partition(";")[0]}
        line, own = f"ws://{one.host}/live", f"http://{one.host}"
        for origin, headers in (
            ("http://evil.example", mine),
            (None, mine),
            (own, {}),
            (own, {"Cookie": "halocline=x"}),
        ):
            with pytest.raises(InvalidStatus), connect(line, origin=origin, additional_headers=headers):
                pass
        with connect(line, origin=own, additional_headers=mine) as good:
            assert json.loads(good.recv(60))["is"] == "start"
            for nonsense in (
                "{",
                "[]",
                '{"do": "explode"}',
                '{"do": "set", "settings": 3}',
                '{"do": "probe"}',
            ):
                good.send(nonsense)
            good.send('{"do": "save"}')
            told = ""
            while "for looking only" not in told:
                message = good.recv(60)
                told = message if isinstance(message, str) else ""


def test_what_a_page_never_sends_leaves_its_line_open(serve: Any, frames: str) -> None:
    with serve("jerlov-1c", frames) as one, lines(one) as (line,):
        line.send(b"bytes")
        line.send("[" * 100_000)
        ask(line, "set", settings=["light.overcast=" + "[" * 5000])
        (*_, told) = until(line, lambda message: message["is"] == "problem")
        assert told["problems"][0]["key"] == ["light", "overcast"]
        ask(line, "set", settings=["light.overcast=0.5"])
        (*_, told) = until(line, lambda message: message["is"] == "preset")
        assert "overcast = 0.5" in told["text"]


def test_a_mistake_in_one_picture_is_told_and_the_next_is_made(
    serve: Any, frames: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    made = Pictures.picture

    def failing(self: Pictures, preset: Any, *asked: Any, **how: Any) -> ShownPicture:
        if preset.at(0).light.overcast == 0.25:
            raise ZeroDivisionError("of a step")
        return made(self, preset, *asked, **how)

    with serve("jerlov-1c", frames) as one, lines(one) as (line,):
        monkeypatch.setattr(Pictures, "picture", failing)
        ask(line, "set", settings=["light.overcast=0.25"])
        (*_, told) = until(line, lambda message: message["is"] == "problem")
        assert "ZeroDivisionError: of a step" in told["problems"][0]["text"]
        assert "ZeroDivisionError" in caplog.text
        ask(line, "set", settings=["light.overcast=0.5"])
        (*_, shown) = until(line, lambda message: message["is"] == "picture")
        assert shown["number"] > told["number"]


def test_a_change_is_undone_that_was_under_way_as_it_was_to_be_undone(
    serve: Any, frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on = Event(), Event()
    change = Session.change

    def slow(self: Session, settings: Sequence[str], gesture: str = "") -> State:
        begun.set()
        assert go_on.wait(60)
        return change(self, settings, gesture)

    monkeypatch.setattr(Session, "change", slow)
    with serve("jerlov-1c", frames) as one, lines(one, 2) as (line, other):
        ask(line, "set", settings=["light.overcast=0.5"])
        assert begun.wait(60)
        ask(other, "undo")
        # Answered in turn: by then the undoing waits.
        ask(other, "of_part", key=["parts", "none", "light", "overcast"])
        time.sleep(0.3)
        go_on.set()
        until(other, lambda message: message["is"] == "of_part")
        assert (one.session.can_undo, one.session.can_redo) == (False, True)
        assert "overcast" not in one.session.state.text


def test_the_first_look_comes_before_all_that_is_told_of_the_preset(
    serve: Any, frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Longer than anybody listens here: who is never told of a first look is never told of the preset.
    monkeypatch.setattr(page_server, "TOLD_WITHIN_S", 600.0)
    with serve("jerlov-1c", frames) as one, lines(one) as (line,):
        ask(line, "set", settings=["light.veil_brightness=2.0"])
        messages = until(line, lambda message: message["is"] == "preset")
        number = messages[-1]["number"]
        assert [each["number"] for each in messages if each.get("coarse")] == [number]
        # But nobody who was told nothing yet waits long for a picture.
        monkeypatch.setattr(page_server, "TOLD_WITHIN_S", 0.05)
        go_on = Event()
        made = Pictures.picture

        def slow(self: Pictures, *asked: Any, **how: Any) -> ShownPicture:
            assert go_on.wait(60)
            return made(self, *asked, **how)

        monkeypatch.setattr(Pictures, "picture", slow)
        ask(line, "set", settings=["light.veil_brightness=2.5"])
        messages = until(line, lambda message: message["is"] == "preset" and message["number"] > number)
        assert not any(each["is"] == "picture" and each["number"] > number for each in messages)
        go_on.set()


def test_nobody_waits_for_the_picture_of_a_page_that_is_gone(
    serve: Any, frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with serve("jerlov-1c", frames) as one, lines(one, 2) as (line, other):
        begun = Event()
        given_up: list[bool] = []

        def endless(self: Pictures, *_: Any, unwanted: Callable[[], bool], **__: Any) -> ShownPicture:
            begun.set()
            for _try in range(600):
                if unwanted():
                    given_up.append(True)
                    raise NoLongerWanted
                time.sleep(0.1)
            raise AssertionError("it is waited for")

        made = Pictures.picture
        monkeypatch.setattr(Pictures, "picture", endless)
        ask(line, "look", frame=1002)
        assert begun.wait(60)
        ask(other, "look", frame=1003)
        # What it asks meanwhile is not answered either.
        ask(line, "probe", x=1, y=1)
        monkeypatch.setattr(Pictures, "picture", made)
        line.close()
        (*_, shown) = until(other, lambda message: message.get("frame") == 1003)
        assert shown["coarse"]
        # The other thread may be asleep yet.
        for _ in range(100):
            time.sleep(0.0 if given_up else 0.05)
        assert given_up == [True]


def test_a_finished_picture_gives_way_once_to_the_first_look_of_another_page(
    serve: Any, frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Pictures.picture
    ways: list[str] = []
    go_on, again = Event(), Event()

    def slow(
        self: Pictures, preset: Any, wish: Any, *, coarse: bool = False, unwanted: Callable[[], bool]
    ) -> ShownPicture:
        if wish.frame == 1002 and not coarse:
            first = not ways
            ways.append("begun")
            (go_on if first else again).set()
            for _try in range(600 if first else 20):
                if unwanted():
                    ways[-1] = "gave way"
                    raise NoLongerWanted
                time.sleep(0.05)
        return made(self, preset, wish, coarse=coarse, unwanted=unwanted)

    with serve("jerlov-1c", frames) as one, lines(one, 2) as (line, other):
        monkeypatch.setattr(Pictures, "picture", slow)
        ask(line, "look", frame=1002)
        assert go_on.wait(60)
        ask(other, "look", frame=1003)
        (*_, shown) = until(other, lambda message: message.get("frame") == 1003)
        assert shown["coarse"]
        # It is made anew, and to its end whoever else looks: the other page waits for its own finished one.
        assert again.wait(60)
        ask(other, "look", frame=1001)
        (*_, shown) = until(line, lambda message: message.get("frame") == 1002 and not message["coarse"])
        until(other, lambda message: message.get("frame") == 1001 and not message["coarse"])
        assert ways == ["gave way", "begun"]

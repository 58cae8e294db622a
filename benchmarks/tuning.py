"""How long a look-dev artist waits on the page: from a key that is turned to the picture, as a page sees it.

A client on the page's own line turns one key after the other, and waits for the coarse picture and for the
fine one, of 960 by 540 pixels: the packed demo frame, each pixel twice along both sides. Printed are median
and 95th percentile in milliseconds of wall time, and the processor time of a change with its fine picture:
where other programs run, only that can be compared.

    python -m benchmarks.tuning [LOOK ...]

All that ship, where none is named.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import HTTPRedirectHandler, build_opener

import numpy as np
import OpenImageIO as oiio
from websockets import Origin
from websockets.sync.client import ClientConnection, connect

from halocline.presets.document import shipped_names
from halocline.tuning.pictures import Pictures
from halocline.tuning.server import Server, serve
from halocline.tuning.session import Session

# What is turned in turn, from a value to the next: what a step does to finished light, and what all light is
# made of anew for.
TURNED = {"light.veil_brightness": (1.1, 1.2, 1.3), "light.sun_elevation": (41.0, 41.5, 42.0)}
# The most that is wanted until the first picture of any kind, milliseconds.
WANTED_MS = {"jerlov-1c": 100}
WANTED_OF_OTHERS_MS = 500


def main() -> None:
    """Print the table."""
    looks = sys.argv[1:] or shipped_names()
    print(f"{'look':22} {'coarse':>13} {'fine':>13} {'cpu':>6}   median and 95th percentile, ms; cpu ms")
    with tempfile.TemporaryDirectory() as folder:
        frame = str(write_frame(Path(folder) / "clean.exr"))
        for look in looks:
            with served(look, frame) as line:
                rows = list(turned(line))
            coarse, fine, processor = zip(*rows, strict=True)
            most = WANTED_MS.get(look, WANTED_OF_OTHERS_MS)
            late = "" if statistics.median(coarse) <= most else f"   wanted {most}"
            print(
                f"{look:22} {told(coarse)} {told(fine)} {statistics.median(processor):6.0f}{late}", flush=True
            )


def told(values: tuple[float, ...]) -> str:
    """Return median and 95th percentile."""
    return f"{statistics.median(values):6.0f} {np.percentile(values, 95):6.0f}"


def turned(line: ClientConnection) -> Iterator[tuple[float, float, float]]:
    """Turn keys; yield milliseconds to the coarse and the fine picture, and of processor time."""
    number = wait_for(line, 0, coarse=False)
    for key, values in TURNED.items():
        # The first of each makes ready what is kept from change to change.
        for at, value in enumerate(values):
            began, busy = time.perf_counter(), time.process_time()
            line.send(json.dumps({"do": "set", "settings": [f"{key}={value}"]}))
            number = wait_for(line, number + 1, coarse=True)
            coarse = time.perf_counter() - began
            wait_for(line, number, coarse=False)
            if at:
                spent = (coarse, time.perf_counter() - began, time.process_time() - busy)
                yield spent[0] * 1e3, spent[1] * 1e3, spent[2] * 1e3


def wait_for(line: ClientConnection, number: int, *, coarse: bool) -> int:
    """Return the number of the first picture that is as new as this one."""
    while True:
        message = line.recv(timeout=120)
        if isinstance(message, str):
            about = json.loads(message)
            if about["is"] == "problem":
                raise SystemExit(str(about["problems"]))
            continue
        size = int.from_bytes(message[:4], "big")
        head: dict[str, Any] = json.loads(message[4 : 4 + size])
        if head["is"] == "picture" and head["coarse"] == coarse and head["number"] >= number:
            return int(head["number"])


@contextmanager
def served(look: str, frame: str) -> Iterator[ClientConnection]:
    """Serve a look on a frame, and open a page's line to it."""
    there: list[tuple[Server, Any]] = []
    ready = threading.Event()

    def known(server: Server, running: Any) -> None:
        there.append((server, running))
        ready.set()

    session, pictures = Session(look, frame), Pictures(frame)
    thread = threading.Thread(target=serve, args=(session, pictures), kwargs={"ready": known})
    thread.start()
    ready.wait(60)
    server, running = there[0]
    host = f"127.0.0.1:{server.port}"
    try:
        headers = {"Cookie": cookie(server.address)}
        with connect(
            f"ws://{host}/live", origin=Origin(f"http://{host}"), additional_headers=headers, max_size=None
        ) as line:
            yield line
    finally:
        running.should_exit = running.force_exit = True
        thread.join()


class _Stay(HTTPRedirectHandler):
    def redirect_request(self, *_: Any) -> None:
        """Go nowhere."""


def cookie(address: str) -> str:
    """Return the cookie that the page's address gives."""
    try:
        build_opener(_Stay).open(address)
    except HTTPError as answer:
        return str(answer.headers["Set-Cookie"]).partition(";")[0]
    raise SystemExit("the page gave no cookie")


def write_frame(path: Path) -> Path:
    """Write the packed demo frame twice as large."""
    small = oiio.ImageBuf(str(files("halocline").joinpath("demo_frames", "arch.1001.exr")))
    pixels = np.asarray(small.get_pixels("float"), np.float32).repeat(2, axis=0).repeat(2, axis=1)
    spec = oiio.ImageSpec(small.spec())
    spec.width = spec.full_width = pixels.shape[1]
    spec.height = spec.full_height = pixels.shape[0]
    large = oiio.ImageBuf(spec)
    large.set_pixels(oiio.ROI(), pixels)
    if not large.write(str(path)):
        raise OSError(large.geterror())
    return path


if __name__ == "__main__":
    main()

"""A preset in an editor: a TOML language server completes and checks it from the schema we write.

The server is tombi, a general one for TOML; what it is told and answers is the Language Server Protocol 3.17.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from halocline.cli.main import app
from halocline.presets.document import shipped_folder, shipped_names
from halocline.presets.schema import SCHEMA_FILE, schema_text

SERVER = Path(sys.executable).with_name("tombi")
FIRST_LINE = f"#:schema ./{SCHEMA_FILE}\n"


class Server:
    """A language server that one file is open in."""

    def __init__(self, process: subprocess.Popen[bytes], file: Path, text: str) -> None:
        self.process, self.uri, self.last = process, file.as_uri(), 0
        self.ask("initialize", {"processId": None, "rootUri": file.parent.as_uri(), "capabilities": {}})
        self.tell("initialized", {})
        document = {"uri": self.uri, "languageId": "toml", "version": 1, "text": text}
        self.tell("textDocument/didOpen", {"textDocument": document})

    def tell(self, method: str, parameters: dict[str, Any]) -> None:
        """Send a notice."""
        self._send({"method": method, "params": parameters})

    def ask(self, method: str, parameters: dict[str, Any]) -> Any:
        """Send a request, and return the answer."""
        self.last += 1
        self._send({"id": self.last, "method": method, "params": parameters})
        while True:
            message = self._received()
            if "method" in message and "id" in message:
                # The server asks too: there is nothing to configure.
                self._send({"id": message["id"], "result": None})
            elif message.get("id") == self.last:
                assert "error" not in message, message
                return message["result"]

    def completions(self, line: int, column: int) -> dict[str, Any]:
        """Return what may be typed at a place, by name."""
        for _ in range(50):
            position = {"line": line, "character": column}
            found = self.ask(
                "textDocument/completion", {"textDocument": {"uri": self.uri}, "position": position}
            )
            items = found["items"] if isinstance(found, dict) else found
            if items:
                return {item["label"]: item for item in items}
            # The schema is still being read.
        return {}

    def _send(self, message: dict[str, Any]) -> None:
        data = json.dumps({"jsonrpc": "2.0", **message}).encode()
        assert self.process.stdin is not None
        self.process.stdin.write(b"Content-Length: %d\r\n\r\n" % len(data) + data)
        self.process.stdin.flush()

    def _received(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        length = 0
        while line := self.process.stdout.readline().strip():
            name, _, value = line.partition(b":")
            if name.lower() == b"content-length":
                length = int(value)
        assert length, "the server has gone"
        message: dict[str, Any] = json.loads(self.process.stdout.read(length))
        return message


@contextmanager
def opened(file: Path, text: str) -> Iterator[Server]:
    """Open a file in a server of its own."""
    command = [str(SERVER), "lsp", "--offline", "--no-cache"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        try:
            yield Server(process, file, text)
        finally:
            process.kill()


def checked(*files: Path) -> subprocess.CompletedProcess[str]:
    """Return what the server says of files, as its command tells it."""
    command = [str(SERVER), "lint", "--offline", "--no-cache", *map(str, files)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / SCHEMA_FILE).write_text(schema_text(), encoding="utf-8")
    return tmp_path


def test_new_preset_is_completed_in_an_editor(tmp_path: Path) -> None:
    path = tmp_path / "look.toml"
    made = CliRunner().invoke(app, ["preset", "new", str(path), "--extends", "fjord-afternoon"])
    assert made.exit_code == 0, made.output
    text = path.read_text(encoding="utf-8")
    assert text.startswith(FIRST_LINE)
    with opened(path, f"{text}\n[light]\nsun") as server:
        found = server.completions(text.count("\n") + 2, 3)
    assert {"sun_elevation", "sun_azimuth"} <= found.keys()
    # The meaning and the unit, in our words.
    assert "Degrees above the horizon" in json.dumps(found["sun_elevation"])


def test_shipped_presets_are_right_by_the_server(folder: Path) -> None:
    files = []
    for name in shipped_names():
        files.append(folder / f"{name}.toml")
        files[-1].write_text(
            FIRST_LINE + (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8"), "utf-8"
        )
    told = checked(*files)
    assert told.returncode == 0, told.stdout + told.stderr


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ('[light]\nsun_elevation = "high"\n', "high"),
        ("[light]\nsun_elevaton = 20\n", "sun_elevaton"),
        ("[steps.attenuation]\nsoftness = 1\n", "softness"),
    ],
)
def test_mistake_is_marked_by_the_server(folder: Path, wrong: str, named: str) -> None:
    path = folder / "look.toml"
    path.write_text(f'{FIRST_LINE}format = 1\nextends = "jerlov-1c"\n{wrong}', encoding="utf-8")
    told = checked(path)
    assert told.returncode == 1
    assert named in told.stdout + told.stderr

"""What a frame is made from: enough to tell whether a frame on disk is the one that would be made now."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, field
from pathlib import Path
from typing import Any

from halocline._version import __version__
from halocline.batch.task import FrameTask, camera_moments, input_spec, input_spec_of
from halocline.errors import HaloclineError, ReadError
from halocline.files.unchanged import digest_of
from halocline.imaging.camera import Camera
from halocline.imaging.survey import cameras_in
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset

# Stands for the camera of a neighbour that cannot be read.
UNREADABLE = "unreadable"


@dataclass(frozen=True)
class FileDigest:
    """A file's size and SHA-256 (as ``sha256sum`` prints it)."""

    path: str
    bytes: int
    sha256: str


@dataclass(frozen=True)
class Origin:
    """What a frame is made from.

    Attributes
    ----------
    frame
        Its number; everything that moves or is random depends on it.
    preset, version
        Digest of what the frame depends on of the preset, on that frame; version of Halocline.
    inputs
        Files by role: ``beauty``, ``depth``, ``pass NAME``.
    camera
        Digest of what the preset states of the frame's own camera.
    neighbours
        Digest of the cameras of the moments by which the frame's motion is known, by frame number: the frames
        just before and after, and what a file of cameras has between them.
    depth
        What the depth pass is taken to hold, by the names of `halocline.imaging.depth.DepthSpec`.
    held_from
        Frame whose render stands in for a missing one.
    layers
        Separable layers that are asked for.
    whole_preset
        Digest of the whole preset, on all frames, by which reports name it. Nothing is compared with it.
    """

    frame: int
    preset: str
    version: str
    inputs: Mapping[str, FileDigest]
    camera: str = ""
    neighbours: Mapping[float, str] = field(default_factory=dict)
    depth: Mapping[str, Any] = field(default_factory=dict)
    held_from: int | None = None
    layers: tuple[str, ...] = ()
    whole_preset: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for a record."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Origin:
        """Return the origin of a record; KeyError, TypeError or ValueError where it is none."""
        held = data.get("held_from")
        return cls(
            frame=int(data["frame"]),
            preset=str(data["preset"]),
            version=str(data["version"]),
            inputs={role: FileDigest(**entry) for role, entry in data["inputs"].items()},
            camera=str(data.get("camera", "")),
            neighbours={float(frame): str(digest) for frame, digest in data["neighbours"].items()},
            depth=dict(data["depth"]),
            held_from=None if held is None else int(held),
            layers=tuple(map(str, data.get("layers", ()))),
            whole_preset=str(data.get("whole_preset", "")),
        )


def origin_of(
    task: FrameTask, preset: Preset, around: Mapping[float, Mapping[str, Camera] | None] | None = None
) -> Origin:
    """Return what a task's frame is made from, reading every byte of its files.

    Parameters
    ----------
    task, preset
        The frame and the look.
    around
        Cameras of the moments by which its motion is known, where they have been read (`cameras_around`).

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where an input cannot be read.
    """
    inputs = {role: digest_file(path) for role, path in task.by_role.items()}
    return Origin(
        frame=task.frame,
        preset=preset.digest_at(task.frame),
        version=__version__,
        inputs=inputs,
        camera=_stated_camera(task, preset),
        neighbours=_digests(cameras_around(task, preset) if around is None else around),
        depth={} if task.depth_spec is None else asdict(task.depth_spec),
        held_from=task.held_from,
        layers=preset.at(task.frame).output.layers,
        whole_preset=preset.digest,
    )


def digest_file(path: str | Path) -> FileDigest:
    """Return size and digest of a file.

    Raises
    ------
    ReadError
        ``E-READ-OPEN``.
    """
    try:
        size, digest = digest_of(path)
    except OSError as error:
        raise ReadError(
            f"cannot be read: {error.strerror or error}",
            code="E-READ-OPEN",
            where=os.fspath(path),
            fix="Check that it is there and readable.",
        ) from error
    return FileDigest(os.fspath(path), size, digest)


def cameras_around(task: FrameTask, preset: Preset) -> dict[float, dict[str, Camera] | None]:
    """Return the cameras at each moment by which a frame's motion is known, by view.

    Parameters
    ----------
    task, preset
        The frame and the look.

    Returns
    -------
    dict[float, dict[str, Camera] | None]
        By frame number, whole or between; None where they cannot be read.
    """
    found: dict[float, dict[str, Camera] | None] = {}
    for moment, path in camera_moments(task, preset).items():
        try:
            found[moment] = cameras_in(path, input_spec(preset, moment))
        except HaloclineError:
            found[moment] = None
    return found


def _digests(around: Mapping[float, Mapping[str, Camera] | None]) -> dict[float, str]:
    return {
        moment: UNREADABLE if cameras is None else _camera_digest(cameras)
        for moment, cameras in around.items()
    }


def _stated_camera(task: FrameTask, preset: Preset) -> str:
    """Return a digest of what a preset, and the file of cameras that it names, state of a frame's camera."""
    spec = input_spec_of(task, preset)
    stated = [asdict(spec.camera), {view: asdict(each) for view, each in spec.cameras.items()}]
    return hashlib.sha256(json.dumps(stated, sort_keys=True).encode()).hexdigest()[:16]


def differences(made: Origin, now: Origin) -> list[str]:
    """Tell in words what has changed since a frame was made; nothing where it is up to date."""
    found = []
    if made.preset != now.preset:
        found.append(f"made with another preset of this frame ({made.preset[:12]}, now {now.preset[:12]})")
    lacking = [name for name in now.layers if name not in made.layers]
    if lacking:
        found.append(f"without the layers {', '.join(lacking)}")
    if made.version != now.version:
        found.append(f"made by version {made.version}, this is {now.version}")
    if made.frame != now.frame:
        found.append(f"made as frame {made.frame}")
    if made.held_from != now.held_from:
        found.append(
            "another frame's render stands in for it" if now.held_from else "its own render is there"
        )
    for role in sorted(made.inputs.keys() | now.inputs.keys()):
        before, after = made.inputs.get(role), now.inputs.get(role)
        if before is None or after is None or before.sha256 != after.sha256:
            found.append(f"the {role} has changed")
    if dict(made.depth) != dict(now.depth):
        found.append("the depth pass is taken to hold something else")
    if made.camera != now.camera:
        found.append("its camera is stated otherwise")
    if dict(made.neighbours) != dict(now.neighbours):
        found.append("a neighbouring frame's camera has changed")
    return found


def _camera_digest(cameras: Mapping[str, Camera]) -> str:
    digest = hashlib.sha256()
    for view, camera in sorted(cameras.items()):
        numbers = (
            camera.rotation.tolist(),
            camera.position_m.tolist(),
            camera.tangent_per_px,
            camera.centre_px,
            camera.focal_length_mm,
        )
        digest.update(f"{view}:{numbers!r}".encode())
    return digest.hexdigest()[:16]

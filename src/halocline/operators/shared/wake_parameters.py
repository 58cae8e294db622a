"""Parameters of bodies that move through the water, carry it along, and stir it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Self

import numpy as np
from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from halocline._typing import F64
from halocline.errors import SequenceError
from halocline.files.named_by_presets import MatteTrackFile, Track
from halocline.graph.origins import WorldLength, WorldPoint
from halocline.graph.shot import Shot
from halocline.imaging.matte_track import FollowedThing, MatteTrack, read_matte_track_once
from halocline.operators.shared.drawn_things import refuse_disorder
from halocline.physics.floating.flow import STILL, TurbulentFlow, Wake, turbulence
from halocline.quantities import Length, Period, Share, Strict

# Of a body whose size nobody states, metres.
_RADIUS_M = 0.3


class WakeKey(Strict):
    """One key of a moving body: its nose and tail at a frame, metres in the environment's own frame."""

    frame: float
    nose: WorldPoint
    tail: WorldPoint | None = None


class FollowsFile(Strict):
    """What may follow the track of a matte's thing.

    Attributes
    ----------
    track_file
        A file that tells where a matte's thing was, from ``halocline follow``; a relative path starts at the
        preset's folder.
    """

    track_file: Track | None = None

    @field_validator("track_file")
    @classmethod
    def _readable(cls, file: MatteTrackFile | None) -> MatteTrackFile | None:
        if file is not None:
            try:
                read_matte_track_once(file.place, file.sha256)
            except SequenceError as error:
                text = f"{error.where}: {error.message}. {error.fix}"
                raise PydanticCustomError("track", "{text}", {"text": text}) from None
        return file

    def followed(self) -> MatteTrack | None:
        """Return the thing that is followed, as the file has it; None without one."""
        file = self.track_file
        return None if file is None else read_matte_track_once(file.place, file.sha256)


def off_their_frames(followers: Iterable[FollowsFile], shot: Shot) -> tuple[str, ...]:
    """Return what a person should know of track files: that this frame is none of those they tell of.

    Parameters
    ----------
    followers
        What may follow a file.
    shot
        The frame.

    Returns
    -------
    tuple[str, ...]
        A line for each such file; the same on all such frames.
    """
    told: dict[str, None] = {}
    for each in followers:
        followed, file = each.followed(), each.track_file
        if followed is None or file is None or not followed.things:
            continue
        first, last = min(followed.things), max(followed.things)
        if not first <= shot.frame <= last:
            told[
                f'{file.path} follows "{followed.matte}" over frames {first} to {last}, and frames are made '
                "that are none of these: before them there is nothing of it, and after them it does nothing "
                "more; follow it over the frames of this shot (halocline follow)"
            ] = None
    return tuple(told)


class MovingBody(FollowsFile):
    """A body that moves through the water.

    Attributes
    ----------
    origin
        Name of the origin that its track's places are given from: right, above, ahead.
    track
        Keys in the order of frames; a nose without a tail is a sphere.
    track_file
        Instead of keys, a matte that moves: a file from ``halocline follow``. Its frames are the keys.
    radius
        Of the body, metres; where not given, what the file says, or 0.3.
    settle
        Seconds in which the water comes to rest again.
    """

    origin: str | None = None
    track: Annotated[tuple[WakeKey, ...], Field(min_length=2)] | None = None
    radius: WorldLength | None = None
    settle: Period = 4.0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if (self.track is None) == (self.track_file is None):
            raise ValueError("it needs a track of two keys or more, or a track_file; one of them")
        if self.track_file is not None and self.origin is not None:
            raise ValueError("origin goes with a track; a track_file tells its own places in the world")
        refuse_disorder("its track", [key.frame for key in self.track or ()])
        return self

    @property
    def reach_m(self) -> float:
        """Radius of the body, metres."""
        if self.radius is not None:
            return self.radius
        followed = self.followed()
        return _RADIUS_M if followed is None else followed.radius_m

    def stretches(self, fps: float) -> list[tuple[F64, F64, F64]]:
        """Return its tracks: seconds ``(n,)``, noses and tails ``(n, 3)``; more than one where it was away.

        Parameters
        ----------
        fps
            Frames a second.
        """
        followed = self.followed()
        if followed is not None:
            # What is seen on one frame alone moves nothing.
            return [_keys_of(run, fps) for run in followed.runs() if len(run) > 1]
        keys = self.track or ()
        times = np.array([key.frame for key in keys], np.float64) / fps
        noses = np.array([key.nose for key in keys], np.float64)
        tails = np.array([key.nose if key.tail is None else key.tail for key in keys], np.float64)
        return [(times, noses, tails)]


class BodyWake(MovingBody):
    """A body that moves through the water, carries it along and stirs it.

    Attributes
    ----------
    track, track_file, radius, settle
        Keys in the order of frames, a nose without a tail is a sphere, or a file from ``halocline follow``;
        its radius, metres; and the seconds in which the water comes to rest again.
    carry
        Share of the body's motion that water beside it takes on, 0 to 1.
    stir
        Typical displacement by the eddies behind it, metres.
    """

    carry: Share = 0.8
    stir: Length = 0.1

    def wakes(self, index: int, shot: Shot) -> Iterator[Wake]:
        """Yield what it does to the water, one for each of its stretches.

        Parameters
        ----------
        index
            Which of a step's wakes it is; keys its eddies.
        shot
            The frame.

        Yields
        ------
        Wake
            One.
        """
        stirring: TurbulentFlow = STILL
        radius = self.reach_m
        if self.stir > 0.0:
            # Its speed is scaled away; eddies are about as large as the body.
            stirring = turbulence(shot.seed, f"wake {index}", rms_speed_m_s=0.15, largest_m=2.0 * radius)
        for times, noses, tails in self.stretches(shot.fps):
            yield Wake(
                times_s=times,
                noses_m=noses,
                tails_m=tails,
                radius_m=radius,
                carry=self.carry,
                stir_m=self.stir,
                settle_s=self.settle,
                stirring=stirring,
            )


def _keys_of(run: list[tuple[int, FollowedThing]], fps: float) -> tuple[F64, F64, F64]:
    times = np.array([frame for frame, _ in run], np.float64) / fps
    return times, np.array([thing.nose_m for _, thing in run]), np.array([thing.tail_m for _, thing in run])

"""Cameras over time from plain files: known points are seen where OpenCV's camera model puts them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from halocline._typing import F64
from halocline.errors import CameraError
from halocline.imaging.camera import Camera, turned_axes
from halocline.imaging.camera_file import CameraFile, read_camera_file
from halocline.imaging.camera_metadata import CameraStatement, find_camera
from halocline.imaging.exr import Part
from halocline.imaging.frame import Window

WINDOW = Window(10, 20, 200, 120)
LEVEL = np.eye(3)
# Points of an archway before the camera, scene units.
POINTS = np.array([[0.0, 0.0, -8.0], [3.0, 1.0, -9.0], [-2.5, 2.0, -7.0], [1.0, -2.0, -12.0]])
ROWS: list[dict[str, Any]] = [
    {
        "frame": 1001.0,
        "x": 0.5,
        "y": 0.25,
        "z": 1.0,
        "pan": 4.0,
        "tilt": -6.0,
        "roll": 9.0,
        "focal_length_mm": 40.0,
        "film_width_mm": 24.0,
        "squeeze": 2.0,
        "overscan": 1.1,
        "film_offset_x_mm": 1.5,
        "film_offset_y_mm": -0.75,
    },
    {
        "frame": 1003.0,
        "x": 0.9,
        "y": 0.5,
        "z": 0.5,
        "pan": 8.0,
        "tilt": -6.0,
        "roll": 9.0,
        "focal_length_mm": 60.0,
        "film_width_mm": 24.0,
        "squeeze": 2.0,
        "overscan": 1.1,
        "film_offset_x_mm": 0.5,
        "film_offset_y_mm": -0.75,
    },
]


def csv_file(folder: Path, rows: list[dict[str, Any]]) -> Path:
    lines = [",".join(rows[0]), *(",".join(str(value) for value in row.values()) for row in rows)]
    path = folder / "anchor.csv"
    path.write_text("# written by hand\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def json_file(folder: Path, content: Any) -> Path:
    path = folder / "anchor.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def camera_of(statement: CameraStatement, *, pixel_aspect: float = 2.0, view: str = "") -> Camera:
    part = Part(
        index=0,
        name="",
        view=view,
        channels={},
        data_window=WINDOW,
        display_window=WINDOW,
        pixel_aspect=pixel_aspect,
    )
    found = find_camera(part, view=view, statement=statement)
    assert found.warnings == ()
    return found.camera


def seen_by_opencv(row: dict[str, Any], pixel_aspect: float) -> F64:
    """Pixels of the points by cv2.projectPoints, whose camera looks down +z with y down (computed, OpenCV).

    The angles go through SciPy's intrinsic rotations about y, x, z; a pan to the right, and a roll clockwise
    from behind, are negative turns about the axes that point up and back.
    """
    to_world = Rotation.from_euler("YXZ", [-row["pan"], row["tilt"], -row["roll"]], degrees=True).as_matrix()
    down_ahead = np.diag([1.0, -1.0, -1.0])
    turn = down_ahead @ to_world.T
    move = -turn @ np.array([row["x"], row["y"], row["z"]])
    across = row["film_width_mm"] * row["squeeze"] * row["overscan"] / WINDOW.width
    fx = row["focal_length_mm"] / across
    # A film moved to the right has the axis on its left, in millimetres of film before the squeeze.
    cx = WINDOW.x + WINDOW.width / 2 - row["film_offset_x_mm"] * row["squeeze"] / across
    cy = WINDOW.y + WINDOW.height / 2 + row["film_offset_y_mm"] / (across / pixel_aspect)
    lens = np.array([[fx, 0.0, cx], [0.0, fx * pixel_aspect, cy], [0.0, 0.0, 1.0]])
    pixels, _ = cv2.projectPoints(POINTS, cv2.Rodrigues(turn)[0], move, lens, np.zeros(4))
    return np.asarray(pixels[:, 0])


@pytest.mark.parametrize("row", [0, 1])
@pytest.mark.parametrize("pixel_aspect", [1.0, 2.0])
def test_known_points_are_seen_where_another_camera_model_has_them(
    tmp_path: Path, row: int, pixel_aspect: float
) -> None:
    file = read_camera_file(csv_file(tmp_path, ROWS), LEVEL)
    camera = camera_of(file.at(ROWS[row]["frame"], ""), pixel_aspect=pixel_aspect)
    pixels, depth = camera.project(POINTS)
    assert (depth > 0).all()
    np.testing.assert_allclose(pixels, seen_by_opencv(ROWS[row], pixel_aspect), atol=1e-6)


def test_a_film_height_gives_pixels_that_the_file_does_not_tell_and_says_so(tmp_path: Path) -> None:
    # 24 mm twice squeezed over 18 mm on 200 x 120 pixels: each 1.6 times as wide as high.
    rows = [{**row, "film_height_mm": 18.0} for row in ROWS]
    statement = read_camera_file(csv_file(tmp_path, rows), LEVEL).at(1001, "")
    part = Part(0, "", "", {}, WINDOW, WINDOW, pixel_aspect=1.0)
    found = find_camera(part, statement=statement)
    assert len(found.warnings) == 1
    assert "1.6 times as wide as high" in found.warnings[0]
    assert "camera.film_height_mm" in found.warnings[0]
    np.testing.assert_allclose(found.camera.project(POINTS)[0], seen_by_opencv(ROWS[0], 1.6), atol=1e-6)
    # Where the file's pixels are such, there is nothing to tell (`camera_of` holds that).
    camera_of(statement, pixel_aspect=1.6)


def matrix_rows() -> list[dict[str, Any]]:
    """The same cameras with matrices."""
    rows = []
    for row in ROWS:
        matrix = np.eye(4)
        matrix[:3, :3] = turned_axes(LEVEL, pan_deg=row["pan"], tilt_deg=row["tilt"], roll_deg=row["roll"])
        matrix[:3, 3] = row["x"], row["y"], row["z"]
        kept = {key: value for key, value in row.items() if key not in ("x", "y", "z", "pan", "tilt", "roll")}
        rows.append({**kept, "camera_to_world": matrix.tolist()})
    return rows


def test_csv_json_and_matrices_say_the_same(tmp_path: Path) -> None:
    by_angles = read_camera_file(csv_file(tmp_path, ROWS), LEVEL)
    shared = {"film_width_mm": 24.0, "squeeze": 2.0, "overscan": 1.1}
    frames = [{key: value for key, value in row.items() if key not in shared} for row in matrix_rows()]
    by_matrix = read_camera_file(json_file(tmp_path, {**shared, "frames": frames}), LEVEL)
    assert by_matrix.moments == by_angles.moments
    flat = [
        {
            **{key: value for key, value in row.items() if key != "camera_to_world"},
            **{
                f"m{i}{j}": row["camera_to_world"][i][j]  # row by row
                for i in range(4)
                for j in range(4)
            },
        }
        for row in matrix_rows()
    ]
    assert read_camera_file(csv_file(tmp_path, flat), LEVEL).moments == by_angles.moments


def test_between_rows_the_lens_is_half_way_and_turns_the_shortest_way(tmp_path: Path) -> None:
    file = read_camera_file(csv_file(tmp_path, ROWS), LEVEL)
    half = file.at(1002, "")
    assert half.focal_length_mm == 50.0
    assert half.film_offset_mm == (1.0, -0.75)
    # SciPy's spherical interpolation between the two turns (computed).
    from scipy.spatial.transform import Slerp

    ends = Rotation.from_euler("YXZ", [[-4, -6, -9], [-8, -6, -9]], degrees=True)
    expected = Slerp([0, 1], ends)(0.5).as_matrix()
    camera = camera_of(half)
    np.testing.assert_allclose(camera.rotation, expected, atol=1e-12)
    np.testing.assert_allclose(camera.position_m, [0.7, 0.375, 0.75])


def test_first_and_last_frame_are_the_files_own_and_beyond_is_refused(tmp_path: Path) -> None:
    file = read_camera_file(csv_file(tmp_path, ROWS), LEVEL)
    assert file.at(1001, "") is file.moments[""][1001]
    assert file.at(1003, "") is file.moments[""][1003]
    for frame in (1000.75, 1003.25):
        with pytest.raises(
            CameraError, match=rf"E-CAMERA-TRACK.*1001 to 1003, not {frame}.*\n.*camera\.track"
        ):
            file.at(frame, "")


def test_the_moments_around_a_frame_are_its_neighbours_and_what_lies_between(tmp_path: Path) -> None:
    rows = [{**ROWS[0], "frame": frame} for frame in (1001.0, 1001.25, 1001.75, 1002.0, 1003.0)]
    file = read_camera_file(csv_file(tmp_path, rows), LEVEL)
    assert file.around(1001) == [1001.25, 1001.75, 1002]
    assert file.around(1002) == [1001, 1001.25, 1001.75, 1003]
    assert file.around(1003) == [1002]


def test_each_view_has_rows_of_its_own_and_another_view_is_refused(tmp_path: Path) -> None:
    rows = [{**ROWS[0], "view": "left"}, {**ROWS[0], "view": "right", "x": 0.565}]
    file = read_camera_file(csv_file(tmp_path, rows), LEVEL)
    left, right = (camera_of(file.at(1001, view), view=view) for view in ("left", "right"))
    np.testing.assert_allclose(right.position_m - left.position_m, [0.065, 0, 0])
    with pytest.raises(
        CameraError, match=r'E-CAMERA-VIEW.*"left", the picture is the view "right"(.|\n)*view ='
    ):
        camera_of(file.at(1001, "left"), view="right")
    plain: CameraFile = read_camera_file(csv_file(tmp_path, ROWS), LEVEL)
    with pytest.raises(CameraError, match=r"E-CAMERA-VIEW.*one view without a name"):
        camera_of(plain.at(1001, ""), view="left")
    with pytest.raises(CameraError, match=r"E-CAMERA-VIEW(.|\n)*Leave the views out"):
        camera_of(file.at(1001, "left"))


SHEARED = {f"m{row}{column}": float(row == column) for row in range(4) for column in range(4)} | {"m01": 0.2}


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([{"frame": 1, "lens": 35}], 'no key "lens"'),
        ([{"x": 0, "y": 0, "z": 0}], 'has no "frame"'),
        ([{"frame": 1, "x": 0, "y": 0}], "z is missing"),
        ([{"frame": 1, "film_offset_x_mm": 0}], "film_offset_y_mm is missing"),
        ([{"frame": 1, "focal_length_mm": 0}], "focal_length_mm is 0"),
        ([{"frame": 1, "pan": "left"}], "pan is 'left', not a number"),
        ([{"frame": 1, "pan": "nan"}], "pan is 'nan', not a number"),
        ([{"frame": 1, "pan": 0}, {"frame": 1, "pan": 0}], "frame 1 is there twice"),
        ([{"frame": 1, "horizontal_view": 60, "squeeze": 2}], "horizontal_view is given, and squeeze"),
        ([{"frame": 1, "view": "left"}, {"frame": 1, "view": ""}], "some rows name a view"),
        ([{"frame": 1, "pan": 0, **SHEARED}], "a matrix is given"),
        ([{"frame": 1, **SHEARED}], "more than turn and move"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_mistake_in_a_row_is_told_with_its_place(tmp_path: Path, rows: list[Any], told: str) -> None:
    with pytest.raises(CameraError) as caught:
        read_camera_file(csv_file(tmp_path, rows), LEVEL)
    assert caught.value.code == "E-CAMERA-TRACK"
    assert told in str(caught.value)
    assert "anchor.csv" in str(caught.value)
    assert caught.value.fix


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("{", "is no JSON"),
        ([], 'no list "frames"'),
        ({"frames": []}, "holds no frame"),
        ({"frames": [1]}, "not a table"),
        ({"frames": [{"frame": 1, "view": 3}]}, "the view is 3"),
        ({"frames": [{"frame": True}]}, "frame is True, not a number"),
        ({"frames": [{"frame": 1, "camera_to_world": [1, 2]}]}, "not 16 numbers"),
        ({"frames": [{"frame": 1, "pan": 1}, {"frame": 2}]}, "pan is given in some rows only"),
    ],
)
def test_a_mistake_in_json_is_told(tmp_path: Path, content: Any, told: str) -> None:
    with pytest.raises(CameraError, match="E-CAMERA-TRACK") as caught:
        read_camera_file(json_file(tmp_path, content), LEVEL)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("text", "told"), [("frame,frame\n1,1\n", "there twice"), ("frame,pan\n1\n", "1 values for 2 columns")]
)
def test_a_mistake_in_csv_is_told_with_its_line(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CameraError, match=told) as caught:
        read_camera_file(path, LEVEL)
    assert "line " in str(caught.value)


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CameraError, match="no UTF-8"):
        read_camera_file(path, LEVEL)

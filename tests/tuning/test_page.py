"""The page in a real browser: turned, undone, saved, and closed to strangers."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.tuning.conftest import STILL_MARKS

from halocline.presets.curves import value_at as curve_value_at
from halocline.presets.preset import load_preset
from halocline.tuning.pictures import Pictures, Wish
from halocline.tuning.reference import taken_over, told_of

# Of the small frames, see conftest.py.
ROWS, COLUMNS = 54, 96
FINE = '#canvas[data-coarse="false"]'


@pytest.fixture
def page_of_1c(serve: Any, frames: str, tmp_path: Path) -> Iterator[Any]:
    with serve("jerlov-1c", frames, save_to=tmp_path / "look.toml") as one:
        yield one


@pytest.fixture
def page(page_of_1c: Any, browser: Any) -> Iterator[Any]:
    with opened(browser, page_of_1c.address) as made:
        yield made


@contextmanager
def opened(browser: Any, address: str) -> Iterator[Any]:
    """Open a page, and have it end without a mistake in its scripts."""
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    made = context.new_page()
    made.errors = []
    made.on("pageerror", lambda error: made.errors.append(str(error)))
    made.goto(address)
    made.wait_for_selector(FINE, timeout=60_000)
    yield made
    assert made.errors == []
    context.close()


def turn(page: Any, key: str, value: str) -> None:
    """Type a value into a key's box, and wait for its fine picture."""
    before = page.get_attribute("#canvas", "data-number")
    page.fill(f"#key-{key}", value)
    page.press(f"#key-{key}", "Tab")
    page.wait_for_selector(f'{FINE}:not([data-number="{before}"])', timeout=60_000)


def until(page: Any, holds: Callable[[], bool]) -> None:
    """Wait until something holds; the page forbids scripts of text, so the browser cannot wait by itself."""
    for _ in range(400):
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it never came to be: " + page.text_content("#text"))


def screen(page: Any) -> Any:
    """Return the pixels of the frame as they stand on the canvas, pixel for pixel, ``(rows, columns, 3)``."""
    page.click("#pixels")
    found = page.evaluate(
        """([columns, rows]) => {
            const canvas = document.getElementById("canvas");
            const left = Math.round(canvas.width / 2 - columns / 2);
            const top = Math.round(canvas.height / 2 - rows / 2);
            return [...canvas.getContext("2d").getImageData(left, top, columns, rows).data];
        }""",
        [COLUMNS, ROWS],
    )
    return np.array(found, np.uint8).reshape(ROWS, COLUMNS, 4)[..., :3]


def wanted(frames: str, *settings: str, preset: str | Path = "jerlov-1c") -> Any:
    """Return the pixels that `apply` gives, which tests/tuning/test_pictures.py makes sure of."""
    return Pictures(frames).pixels(load_preset(preset, settings), Wish(1001))


def test_turned_keys_give_the_pixels_of_apply_and_are_undone(page: Any, frames: str) -> None:
    np.testing.assert_array_equal(screen(page), wanted(frames))
    turn(page, "light-veil_brightness", "2.5")
    np.testing.assert_array_equal(screen(page), wanted(frames, "light.veil_brightness=2.5"))
    assert "changed" in page.get_attribute('[data-path="light.veil_brightness"]', "class")
    before = page.get_attribute("#canvas", "data-number")
    page.click("#undo")
    page.wait_for_selector(f'{FINE}:not([data-number="{before}"])', timeout=60_000)
    np.testing.assert_array_equal(screen(page), wanted(frames))


# A lamp bound to a place in the picture, and a part that lies far: positions and bounds with units.
BOUND = """format = 2
extends = "jerlov-1c"
[camera]
horizontal_view = 50.0
[[light.lamps]]
name = "torch"
space = "world"
origin = "spot"
position = ["30 cm", "1 ft", -1.5]
target = [0.0, "5 cm", 0.0]
brightness = 20.0
[origins.spot]
point = [0.3, 0.6]
[parts.far]
within_range = { nearest = "400 cm", softness = "2 ft" }
[parts.far.light]
veil_brightness = 2.0
[steps.lamps]
before = "attenuation"
"""


def test_one_component_is_turned_and_the_others_keep_values_and_units(
    serve: Any, frames: str, browser: Any, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(BOUND, encoding="utf-8")
    with serve(str(own), frames) as one, opened(browser, one.address) as page:
        settings: list[str] = []
        for label, value, setting in (
            (
                "light.lamps, torch: position, 2 of 3, ft",
                "3",
                'light.lamps.0.position=["30 cm", "3 ft", -1.5]',
            ),
            ("origins.spot.point, 1 of 2", "0.5", "origins.spot.point=[0.5, 0.6]"),
            ("parts.far.within_range, nearest, cm", "250", 'parts.far.within_range.nearest="250 cm"'),
        ):
            before, seen = page.get_attribute("#canvas", "data-number"), screen(page)
            box = page.locator(f'input[aria-label="{label}"]')
            box.evaluate("(each) => { each.closest('details').open = true; }")
            box.fill(value)
            box.press("Tab")
            page.wait_for_selector(f'{FINE}:not([data-number="{before}"])', timeout=60_000)
            settings.append(setting)
            now = screen(page)
            assert (now != seen).any(), label
            np.testing.assert_array_equal(now, wanted(frames, *settings, preset=own))
        # What was not touched stands in its box with its own unit, or with the key's.
        untouched = {
            "light.lamps, torch: position, 1 of 3, cm": "30",
            "light.lamps, torch: position, 3 of 3, m": "-1.5",
            "origins.spot.point, 2 of 2": "0.6",
            "parts.far.within_range, softness, ft": "2",
            "parts.far.within_range, farthest, m": "",
        }
        boxes = {label: page.input_value(f'input[aria-label="{label}"]') for label in untouched}
        assert boxes == untouched
        text = page.text_content("#text")
    assert 'position = ["30 cm", "3 ft", -1.5]' in text
    assert "point = [0.5, 0.6]" in text
    assert 'within_range = { nearest = "250 cm", softness = "2 ft" }' in text


def test_two_hundred_rapid_moves_end_at_the_last_and_never_go_back(page: Any, frames: str) -> None:
    numbers = page.evaluate(
        """async () => {
            const canvas = document.getElementById("canvas");
            const seen = [];
            new MutationObserver(() => seen.push(Number(canvas.dataset.number)))
                .observe(canvas, { attributes: true, attributeFilter: ["data-number"] });
            const row = document.querySelector('[data-path="light.veil_brightness"]');
            const slider = row.querySelector("input[type=range]");
            slider.dispatchEvent(new Event("focus"));
            for (let move = 1; move <= 200; move += 1) {
                slider.value = 1 + move / 200;
                slider.dispatchEvent(new Event("input"));
                await new Promise((next) => setTimeout(next, 4));
            }
            return new Promise((done) => setTimeout(() => done(seen), 1500));
        }"""
    )
    until(page, lambda: "veil_brightness = 2\n" in page.text_content("#text") + "\n")
    assert numbers == sorted(numbers)
    # However long a busy machine takes for it, the last move's picture comes, and stays.
    last = wanted(frames, "light.veil_brightness=2")
    until(page, lambda: np.array_equal(screen(page), last))
    page.wait_for_timeout(500)
    np.testing.assert_array_equal(screen(page), last)
    # All of one drag is one change.
    page.click("#undo")
    page.wait_for_selector("#undo[disabled]", timeout=20_000, state="attached")


def test_a_wrong_value_is_told_at_its_key_and_changes_nothing(page: Any) -> None:
    page.fill("#key-light-overcast", "7")
    page.press("#key-light-overcast", "Tab")
    page.wait_for_selector("#status.wrong", timeout=20_000)
    assert page.inner_text("#key-light-overcast-told") != ""
    assert "overcast = 7" not in page.text_content("#text")


def test_a_curve_is_made_and_its_key_is_dragged(page: Any) -> None:
    row = page.locator('[data-path="light.sun_elevation"]')
    row.get_by_role("button", name="Let light.sun_elevation change").click()
    dots = row.locator("circle")
    dots.first.wait_for(timeout=20_000)
    row.scroll_into_view_if_needed()
    box = dots.last.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = page.text_content("#text")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 20, steps=4)
    page.mouse.up()
    until(page, lambda: page.text_content("#text") != before)
    assert 'curve = "smooth"' in page.text_content("#text")


def test_a_save_writes_a_version_and_shows_the_command(page: Any, tmp_path: Path) -> None:
    turn(page, "light-veil_brightness", "1.5")
    page.click("#save")
    until(page, lambda: "halocline apply" in page.inner_text("#status"))
    saved = tmp_path / "look.v001.toml"
    assert load_preset(saved).at(0).light.veil_brightness == 1.5
    assert str(saved) in page.inner_text("#status")


def test_two_tabs_show_one_preset(page: Any, page_of_1c: Any) -> None:
    other = page.context.new_page()
    other.goto(f"http://{page_of_1c.host}/")
    other.wait_for_selector(FINE, timeout=60_000)
    before = other.get_attribute("#canvas", "data-number")
    turn(page, "light-veil_brightness", "3")
    other.wait_for_selector(f'{FINE}:not([data-number="{before}"])', timeout=60_000)
    assert other.input_value("#key-light-veil_brightness") == "3"


def test_a_lost_line_is_told_and_found_again(page: Any, page_of_1c: Any) -> None:
    page_of_1c.drop_lines()
    page.wait_for_selector('body[data-line="lost"]', timeout=20_000)
    page.wait_for_selector('body[data-line="open"]', timeout=20_000)
    turn(page, "light-veil_brightness", "2")


def test_a_server_that_is_gone_is_told_and_its_successor_wants_its_own_token(
    page: Any, page_of_1c: Any
) -> None:
    page_of_1c.stop()
    page.wait_for_selector("#status.wrong", timeout=20_000)
    assert "start halocline tune anew" in page.inner_text("#status")


def test_search_finds_by_name_and_meaning(page: Any) -> None:
    page.fill("#search", "near_limit")
    turn(page, "story-near_limit", "1")
    page.fill("#search", "")
    remark = page.wait_for_selector("#remarks .told").inner_text()
    assert "nothing is remapped. Give" in remark
    page.fill("#search", "sun elev")
    assert not page.is_visible("#remarks"), "it stands between the search and what it finds"
    shown = page.locator(".key:visible")
    assert [each.get_attribute("data-path") for each in shown.all()] == ["light.sun_elevation"]
    page.fill("#search", "")
    assert page.is_visible("#remarks")


def test_a_type_of_water_is_chosen_from_a_list(page: Any) -> None:
    page.select_option("#key-water-jerlov_type", "3C")
    until(page, lambda: 'jerlov_type = "3C"' in page.text_content("#text"))
    assert page.get_attribute("#key-water-jerlov_type", "aria-describedby").endswith("-told")


def test_an_origin_is_placed_by_a_click_in_the_picture(page: Any) -> None:
    page.fill("#origin-name", "spot")
    page.click("#origin-add")
    # Given up, the next click tells of a pixel as ever.
    page.keyboard.press("Escape")
    page.click("#pixels")
    box = page.locator("#canvas").bounding_box()
    on_wall = {"x": (box["width"] - COLUMNS) / 2 + 24, "y": (box["height"] - ROWS) / 2 + 27}
    page.click("#canvas", position=on_wall)
    until(page, lambda: "pixel" in page.inner_text("#probe"))
    assert "origins" not in page.text_content("#text")
    page.click("#origin-add")
    page.click("#canvas", position=on_wall)
    until(page, lambda: "[origins.spot]" in page.text_content("#text"))
    found = tomllib.loads(page.text_content("#text"))["origins"]["spot"]["point"]
    np.testing.assert_allclose(found, [24 / COLUMNS, 27 / ROWS], atol=1.0 / ROWS)


def test_an_origin_by_its_pixel_is_moved_by_a_click_on_the_frame_shown(
    serve: Any, frames: str, browser: Any, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(BOUND.replace("point = [0.3, 0.6]", "pixel = [40.0, 20.0]"), encoding="utf-8")
    with serve(str(own), frames) as one, opened(browser, one.address) as page:
        page.select_option("#frame", "1002")
        page.wait_for_selector(f'{FINE}[data-frame="1002"]', timeout=60_000)
        page.locator('details[data-path="origins.spot"]').evaluate("(each) => { each.open = true; }")
        page.get_by_role("button", name="Set origins.spot.point by the next click").click()
        # Without a pointer, Enter takes the middle.
        page.keyboard.press("Enter")
        until(page, lambda: "pixel = " not in page.text_content("#text"))
        spot = tomllib.loads(page.text_content("#text"))["origins"]["spot"]
        assert spot == {"point": [0.5, 0.5], "frame": 1002}


def order_on(page: Any, table: str) -> list[str]:
    """Return the names of steps or parts as they stand on the page."""
    paths = page.locator(f'details[data-path^="{table}."]').evaluate_all(
        "(all) => all.map((each) => each.dataset.path)"
    )
    return [str(path).partition(".")[2] for path in paths]


def test_a_step_is_moved_by_its_buttons(page: Any) -> None:
    first = order_on(page, "steps")
    name = first[1]
    for button, wanted in (
        ("Move earlier", [name, first[0], *first[2:]]),
        ("Move later", first),
        ("Move later", [first[0], first[2], name, *first[3:]]),
    ):
        page.locator(f'details[data-path="steps.{name}"]').evaluate("(each) => { each.open = true; }")
        page.get_by_role("button", name=f"{button} the step {name}").click()
        until(page, partial(lambda wanted: order_on(page, "steps") == wanted, wanted))


def test_a_part_is_moved_over_another_by_the_keyboard(page: Any, frames: str) -> None:
    for name in ("red", "blue"):
        page.fill("#part-name", name)
        page.press("#part-name", "Enter")
        page.wait_for_selector(f'details[data-path="parts.{name}"][open]', timeout=20_000)
    page.locator('details[data-path="parts.red"]').evaluate("(each) => { each.open = true; }")
    assert page.get_by_role("button", name="Move later the part blue").is_disabled()
    page.get_by_role("button", name="Move later the part red").focus()
    page.keyboard.press("Enter")
    until(page, lambda: order_on(page, "parts") == ["blue", "red"])
    # At the end there is nothing later: the focus stays with what was moved.
    assert focused(page).startswith("part red")
    assert page.get_by_role("button", name="Move later the part red").is_disabled()
    assert tomllib.loads(text_of(page))["parts"]["red"] == {"amount": 1.0, "after": "blue"}


def test_a_matte_is_one_of_the_frames_or_any_other_name(
    serve: Any, small_mattes: str, browser: Any, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text('format = 2\nextends = "jerlov-1c"\n[steps.attenuation]\namount = 0.5\n', encoding="utf-8")
    with serve(str(own), small_mattes) as one, opened(browser, one.address) as page:
        page.locator('details[data-path="steps.attenuation"]').evaluate("(each) => { each.open = true; }")
        box = page.locator("#key-steps-attenuation-matte")
        listed = box.evaluate("(each) => [...each.list.options].map((option) => option.value)")
        assert listed == ["anchor", "arch"]
        # A name that reads as a number is a name.
        for name in ("anchor", "12"):
            box.fill(name)
            box.press("Tab")
            until(page, partial(lambda line: line in page.text_content("#text"), f'matte = "{name}"'))
        page.wait_for_selector("#status.wrong", timeout=20_000)
        box.fill("")
        box.press("Tab")
        until(page, lambda: "matte" not in page.text_content("#text"))


def test_samples_are_marked_on_a_still_by_clicks_and_its_water_is_taken_over(
    serve: Any, frames: str, still: Path, browser: Any
) -> None:
    with serve("jerlov-1c", frames, reference=still) as one, opened(browser, one.address) as page:
        page.locator("#match").evaluate("(each) => { each.open = true; }")
        page.click("#mark-add")
        assert "Show the reference still first" in page.inner_text("#status")
        page.select_option("#shows", "reference")
        page.wait_for_selector(f'{FINE}[data-shows="reference"]', timeout=60_000)
        page.click("#pixels")
        box = page.locator("#canvas").bounding_box()
        left, top = round(box["width"] / 2 - 60), round(box["height"] / 2 - 40)
        for number, mark in enumerate(STILL_MARKS, 1):
            place, _, rest = mark.partition("@")
            x, y = map(int, place.split(","))
            away, _, what = rest.partition("=")
            page.click("#mark-add")
            page.click("#canvas", position={"x": left + x + 0.5, "y": top + y + 0.5})
            page.wait_for_selector(f"#mark-{number}-range:focus", timeout=20_000)
            page.keyboard.type(away) if number == 1 else page.fill(f"#mark-{number}-range", away)
            page.fill(f"#mark-{number}-what", what)
            told = re.match(r"at (\d+), (\d+)", page.inner_text(f"#marks li:nth-child({number})"))
            assert told is not None
            # A pointer stands between pixels of a page that is no whole number of pixels wide.
            assert np.abs(np.subtract([int(told[1]), int(told[2])], [x, y])).max() <= 1
        page.fill("#match-view", "90")
        page.click("#match-find")
        page.wait_for_selector("#match-take:enabled", timeout=90_000)
        (tab,) = one.server._tabs
        found = tab._found
        assert page.locator("#match-told p").all_inner_texts() == told_of(found)
        assert found.samples[2].range_m == 2.0
        assert found.samples[2].direction is not None, "the lens that was typed"
        page.click("#match-take")
        until(page, lambda: "attenuation_550" in page.text_content("#text"))
        assert tomllib.loads(page.text_content("#text"))["water"] == taken_over(found)["water"]
        # What was found is of these marks; of others, nothing is known before it is looked for again.
        page.fill("#mark-2-range", "")
        assert page.is_disabled("#match-take")
        page.click("#match-find")
        assert "Mark 2 has no range" in page.inner_text("#status")
        page.fill("#mark-2-range", "soon")
        page.click("#match-find")
        until(page, lambda: "soon" in page.inner_text("#status"))
        assert page.is_disabled("#match-take")
        page.get_by_role("button", name="Take out mark 2").click()
        assert page.locator("#marks li").count() == len(STILL_MARKS) - 1


def test_a_lamp_is_added_and_taken_out(page: Any) -> None:
    page.locator('[data-path="light.lamps"]').get_by_role("button", name="Add one").click()
    box = page.locator('[data-path="light.lamps.0.brightness"]')
    box.wait_for(state="attached", timeout=20_000)
    page.locator('[data-path="light.lamps"]').get_by_role("button", name="Take lamps 1 out").click()
    box.wait_for(state="detached", timeout=20_000)
    assert tomllib.loads(page.text_content("#text"))["light"]["lamps"] == []


def test_a_part_is_made_of_a_matte_turned_and_taken_out_by_the_keyboard_alone(
    serve: Any, mattes: str, browser: Any
) -> None:
    with serve("jerlov-1c", mattes) as one, opened(browser, one.address) as page:
        page.focus("#part-name")
        page.keyboard.type("a b")
        page.keyboard.press("Enter")
        assert "Call the part by letters" in page.inner_text("#status")
        page.fill("#part-name", "wall")
        page.keyboard.press("Enter")
        part = page.locator('details[data-path="parts.wall"]')
        page.wait_for_selector('details[data-path="parts.wall"][open] summary:focus', timeout=20_000)
        assert page.input_value("#key-parts-wall-matte") == "wall"
        before = page.text_content("#text")
        # What it has of its own: shown first with what holds, then stated.
        page.focus("#more-wall")
        page.select_option("#more-wall", "light.veil_brightness")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector('[data-path="parts.wall.light.veil_brightness"] input:focus', timeout=20_000)
        assert page.input_value("#key-parts-wall-light-veil_brightness") == "1"
        assert page.text_content("#text") == before, "nothing is stated by looking"
        turn(page, "parts-wall-light-veil_brightness", "3")
        text = page.text_content("#text")
        assert tomllib.loads(text)["parts"] == {"wall": {"matte": "wall", "light": {"veil_brightness": 3}}}
        settings = ('parts.wall.matte="wall"', "parts.wall.light.veil_brightness=3")
        np.testing.assert_array_equal(screen(page), wanted(mattes, *settings))
        assert (screen(page) != wanted(mattes)).any()
        assert page.locator("#more-wall option[value='light.veil_brightness']").count() == 0
        page.fill("#part-name", "wall")
        page.press("#part-name", "Enter")
        assert "There is a part wall already" in page.inner_text("#status")
        part.get_by_role("button", name="Take it out").press("Enter")
        until(page, lambda: "wall" not in page.text_content("#text"))
        assert part.count() == 0


def test_a_search_that_finds_nothing_says_so_and_names_steps_that_could_be_added(page: Any) -> None:
    assert not page.is_visible("#none-found")
    page.fill("#search", "shafts")
    assert page.inner_text("#none-found") == "No key is found. Steps that can be added below: light shafts."
    page.fill("#search", "")
    assert not page.is_visible("#none-found")
    page.check("#only-changed")
    assert page.inner_text("#none-found") == "No key is found that was changed."


def test_a_saved_version_is_compared_with_and_all_is_undone(page: Any, frames: str, tmp_path: Path) -> None:
    turn(page, "light-veil_brightness", "1.5")
    page.click("#save")
    until(page, lambda: "halocline apply" in page.inner_text("#status"))
    listed = page.locator("#presets option").evaluate_all("(all) => all.map((each) => each.value)")
    saved = str(tmp_path / "look.v001.toml")
    assert listed[0] == saved
    assert {"jerlov-3c", "night-dive"} <= {*listed}
    turn(page, "light-veil_brightness", "3")
    page.select_option("#beside", "preset")
    page.fill("#other", saved)
    page.press("#other", "Tab")
    page.wait_for_selector(f'#canvas[data-beside="preset:{saved}"]', timeout=60_000)
    page.fill("#wipe", "0")
    beside = wanted(frames, "light.veil_brightness=1.5")
    until(page, lambda: np.array_equal(screen(page)[:, 1:], beside[:, 1:]))
    page.click("#undo-all")
    until(page, lambda: "veil_brightness" not in page.text_content("#text"))
    assert page.is_disabled("#undo")
    assert page.is_disabled("#undo-all")
    assert page.is_enabled("#redo")


def test_a_key_is_added_to_a_curve_at_the_frame_that_is_shown(page: Any) -> None:
    page.get_by_role("button", name="Let light.overcast change over frames").click()
    row = page.locator('[data-path="light.overcast"]')
    last = row.get_by_label("light.overcast, key 2, value")
    last.fill("0.6")
    last.press("Tab")
    until(page, lambda: "[1003, 0.6]" in page.text_content("#text"))
    add = row.get_by_role("button", name="Add a key to light.overcast at the frame that is shown")
    add.click()
    assert "Frame 1001 has a key already" in page.inner_text("#status")
    # As frames have it: three keys, through the middle one of which a smooth curve goes by its slope.
    page.select_option("#frame", "1002")
    add.click()
    until(page, lambda: "[1002, 0.4]" in page.text_content("#text"))
    for number, (frame, value) in enumerate(((990, 0.1), (996, 0.6), (1010, 0.9)), 1):
        for box, typed in (("value", value), ("frame", frame)):
            each = row.get_by_label(f"light.overcast, key {number}, {box}")
            each.fill(str(typed))
            each.press("Tab")
            written = f"[{frame}, {value}]" if box == "frame" else f", {value}]"
            until(page, partial(lambda written: written in page.text_content("#text"), written))
    curve = tomllib.loads(page.text_content("#text"))["light"]["overcast"]
    assert curve == {"curve": "smooth", "keys": [[990, 0.1], [996, 0.6], [1010, 0.9]]}
    add.click()
    until(page, lambda: "[1002, " in page.text_content("#text"))
    put = dict(tomllib.loads(page.text_content("#text"))["light"]["overcast"]["keys"])[1002]
    np.testing.assert_allclose(put, curve_value_at(curve, 1002), rtol=1e-4)
    assert abs(put - 0.7286) > 0.02, "not straight from key to key"
    drawn = row.locator("polyline").get_attribute("points").split()
    assert len(drawn) > 90


def test_a_part_that_is_no_matte_is_a_slab_of_range(page: Any, frames: str) -> None:
    page.fill("#part-name", "far")
    page.press("#part-name", "Enter")
    page.wait_for_selector("#key-parts-far-within_range", timeout=20_000)
    turn(page, "parts-far-within_range", "4")
    assert tomllib.loads(page.text_content("#text"))["parts"]["far"] == {
        "amount": 1.0,
        "within_range": {"nearest": 4},
    }


def test_a_step_is_added_where_light_meets_it_with_a_body_and_taken_out(page: Any) -> None:
    page.select_option("#step-name", "turbid_bodies")
    page.click("#step-add")
    page.wait_for_selector('details[data-path="steps.turbid_bodies"][open] summary:focus', timeout=20_000)
    names = [each.get_attribute("data-path") for each in page.locator("details.step").all()]
    assert names.index("steps.turbid_bodies") == names.index("steps.veiling_light") + 1
    assert page.locator("#step-name option[value='turbid_bodies']").count() == 0
    bodies = page.locator('[data-path="steps.turbid_bodies.bodies"]')
    bodies.get_by_role("button", name="Add one").click()
    page.wait_for_selector('[data-path="steps.turbid_bodies.bodies.0.visibility"]', timeout=20_000)
    assert tomllib.loads(page.text_content("#text"))["origins"] == {"lens": {"lens": True}}
    page.get_by_role("button", name="Take it out: turbid_bodies").click()
    until(page, lambda: "turbid_bodies" not in page.text_content("#text"))


def test_what_is_inherited_is_left_out_and_holds_again(
    serve: Any, frames: str, browser: Any, tmp_path: Path
) -> None:
    (tmp_path / "below.toml").write_text(BOUND, encoding="utf-8")
    own = tmp_path / "own.toml"
    own.write_text('format = 2\nextends = "below.toml"\n', encoding="utf-8")
    with serve(str(own), frames) as one, opened(browser, one.address) as page:
        page.locator('details[data-path="parts.far"]').evaluate("(each) => { each.open = true; }")
        box = page.locator("#key-parts-far-within_range")
        box.fill("")
        box.press("Tab")
        until(page, lambda: 'without = ["parts.far.within_range.nearest"]' in page.text_content("#text"))
        row = page.locator('[data-path="parts.far.within_range"]')
        until(page, lambda: box.input_value() == "")
        row.get_by_role("button", name="parts.far.within_range: back to what is inherited").click()
        until(page, lambda: "without" not in page.text_content("#text"))
        until(page, lambda: box.input_value() == "400")
        # Where there is a default, that can be stated.
        usual = page.get_by_role("button", name="Set parts.far.light.veil_brightness to its default")
        usual.click()
        until(page, lambda: "veil_brightness = 1.0" in page.text_content("#text"))
        usual.wait_for(state="hidden", timeout=20_000)
        page.get_by_role("button", name="Leave it out: part far").press("Enter")
        until(page, lambda: 'without = ["parts.far"]' in page.text_content("#text"))
        assert page.locator('details[data-path="parts.far"]').count() == 0
        page.get_by_role("button", name="Inherit again the part far").press("Enter")
        page.wait_for_selector('details[data-path="parts.far"]', timeout=20_000, state="attached")
        assert "without" not in page.text_content("#text")


def test_the_picture_stays_in_its_place_whatever_is_told(page_of_1c: Any, browser: Any) -> None:
    with opened(browser, page_of_1c.address) as page:
        first = page.locator("#canvas").bounding_box()
        page.wait_for_selector("#plot-spectrum polyline", state="attached", timeout=60_000)
        assert page.locator("#canvas").bounding_box() == first, "as plots arrive"
        page.click("#canvas")
        until(page, lambda: "pixel" in page.inner_text("#probe"))
        assert page.locator("#canvas").bounding_box() == first, "as values are told"
        page.click("#save")
        until(page, lambda: "halocline apply" in page.inner_text("#status"))
        page.fill("#key-light-overcast", "7")
        page.press("#key-light-overcast", "Tab")
        page.wait_for_selector("#status.wrong", timeout=20_000)
        assert page.locator("#canvas").bounding_box() == first, "as the server answers"
        page.click("#strip-make")
        page.wait_for_selector("#strip img", timeout=60_000)
        assert page.locator("#canvas").bounding_box() == first, "as a strip arrives"


def test_words_of_the_plots_are_as_large_as_the_page_s_and_off_the_curves(page: Any) -> None:
    page.set_viewport_size({"width": 3840, "height": 2160})
    page.wait_for_selector("#plot-spectrum polyline", state="attached", timeout=60_000)
    until(
        page,
        lambda: page.evaluate("() => document.querySelector('#plot-spectrum').viewBox.baseVal.width") > 600,
    )
    sizes = page.evaluate(
        """() => {
            const em = parseFloat(getComputedStyle(document.documentElement).fontSize);
            return [...document.querySelectorAll("#plots svg text")].map(
                (each) => each.getBoundingClientRect().height / em);
        }"""
    )
    assert min(sizes) > 0.75
    over = page.evaluate(
        """() => {
            const lines = [...document.querySelectorAll("#plot-spectrum polyline")];
            const curves = lines.map((each) => each.getBoundingClientRect());
            return [...document.querySelectorAll("#plot-spectrum text")].filter((each) => {
                const box = each.getBoundingClientRect();
                return curves.some((curve) => box.left < curve.right && box.right > curve.left
                    && box.top < curve.bottom && box.bottom > curve.top);
            }).map((each) => each.textContent);
        }"""
    )
    assert over == []


def tab_to(page: Any, selector: str, back: str = "") -> None:
    """Press Tab until something has the focus; nothing on the way keeps it."""
    for _ in range(120):
        page.keyboard.press(f"{back}Tab")
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", selector):
            return
    raise AssertionError(f"{selector} is not reached")


def focused(page: Any) -> str:
    """Return what a screen reader calls what has the focus: nothing where it was lost."""
    return str(
        page.evaluate(
            """() => {
                const node = document.activeElement;
                if (node === document.body) return "";
                const label = node.labels?.[0]?.textContent;
                return (node.getAttribute("aria-label") || label || node.textContent).trim();
            }"""
        )
    )


def search_by_keyboard(page: Any, words: str) -> None:
    tab_to(page, "#search", "Shift+")
    page.keyboard.press("Control+a")
    page.keyboard.type(words)
    page.keyboard.press("Enter")


def text_of(page: Any) -> str:
    """Return the preset's text as the page shows it."""
    return str(page.text_content("#text"))


def keys_of_curve(page: Any) -> Any:
    return tomllib.loads(text_of(page))["light"]["sun_elevation"]["keys"]


def test_the_whole_job_is_done_by_the_keyboard_alone(page: Any, tmp_path: Path) -> None:
    search_and_turn(page)
    draw_a_curve(page)
    put_a_step_aside_and_move_it(page)
    compare_and_ask_for_values(page)
    # It is undone and saved.
    page.keyboard.press("Control+z")
    until(page, lambda: 'before = "' not in text_of(page))
    assert focused(page).startswith("Wipe")
    tab_to(page, "#undo-all", "Shift+")
    page.keyboard.press("Enter")
    page.wait_for_selector("#undo-all[disabled]", timeout=20_000)
    assert focused(page) == "Redo"
    page.keyboard.press("Enter")
    until(page, lambda: "overcast = " in text_of(page))
    page.keyboard.press("Control+s")
    until(page, lambda: "halocline apply" in page.inner_text("#status"))
    saved = load_preset(tmp_path / "look.v001.toml")
    assert saved.at(0).light.overcast != load_preset("jerlov-1c").at(0).light.overcast
    assert focused(page) == "Redo"


def search_and_turn(page: Any) -> None:
    tab_to(page, "#search")
    page.keyboard.type("overcast")
    page.keyboard.press("Enter")
    assert focused(page) == "light.overcast"
    page.keyboard.press("ArrowRight")
    until(page, lambda: "overcast = " in text_of(page))
    page.wait_for_selector('[data-path="light.overcast"].changed')
    tab_to(page, "[data-path='light.overcast'] button[aria-label*='back to what is inherited']")
    page.keyboard.press("Enter")
    until(page, lambda: "overcast = " not in text_of(page))
    # What is out of use now does not keep the focus, and does not lose it either.
    page.wait_for_selector('[data-path="light.overcast"]:not(.changed)')
    assert focused(page).startswith("light.overcast")


def draw_a_curve(page: Any) -> None:
    search_by_keyboard(page, "sun elev")
    assert focused(page) == "light.sun_elevation, degrees"
    tab_to(page, "button[aria-label='Let light.sun_elevation change over frames']")
    page.keyboard.press("Enter")
    until(page, lambda: "curve = " in text_of(page))
    page.locator('[data-path="light.sun_elevation"] polyline').wait_for(state="attached")
    assert page.evaluate("() => document.activeElement.closest('[data-path]').dataset.path") == (
        "light.sun_elevation"
    )
    for number, value in ((1, "20"), (2, "60")):
        tab_to(page, f"[aria-label='light.sun_elevation, key {number}, value']")
        page.keyboard.press("Control+a")
        page.keyboard.type(value)
        page.keyboard.press("Tab")
        until(page, partial(lambda value: f", {value}]" in text_of(page), value))
    assert focused(page) == "Take out key 2 of light.sun_elevation"
    tab_to(page, "#frame")
    page.keyboard.press("ArrowDown")
    page.wait_for_selector('#canvas[data-frame="1002"]', timeout=60_000)
    tab_to(page, "button[aria-label^='Add a key to light.sun_elevation']", "Shift+")
    page.keyboard.press("Enter")
    until(page, lambda: len(keys_of_curve(page)) == 3)
    assert focused(page).startswith("Add a key to light.sun_elevation")
    for left in (2, 1):
        tab_to(page, "button[aria-label='Take out key 1 of light.sun_elevation']")
        page.keyboard.press("Enter")
        until(page, partial(lambda left: len(keys_of_curve(page)) == left, left))
        assert page.locator('[data-path="light.sun_elevation"] .curve-keys .row').count() == left
        assert "key 1" in focused(page)
        page.keyboard.press("Shift+Tab")
    assert keys_of_curve(page) == [[1003, 60]]


def put_a_step_aside_and_move_it(page: Any) -> None:
    """The focus goes with the step."""
    search_by_keyboard(page, "veiling_light amount")
    tab_to(page, "input[aria-label='done: the step veiling_light']", "Shift+")
    page.keyboard.press("Space")
    page.wait_for_selector('details[data-path="steps.veiling_light"].aside', timeout=20_000)
    assert focused(page) == "done: the step veiling_light"
    tab_to(page, "button[aria-label='Move earlier the step veiling_light']")
    page.keyboard.press("Enter")
    until(page, lambda: 'before = "' in text_of(page))
    assert focused(page) == "Move earlier the step veiling_light"


def compare_and_ask_for_values(page: Any) -> None:
    tab_to(page, "#beside")
    page.keyboard.press("ArrowDown")
    page.wait_for_selector('#canvas[data-beside="clean"]', timeout=60_000)
    tab_to(page, "#canvas")
    page.keyboard.press("Enter")
    until(page, lambda: "pixel" in page.inner_text("#probe"))
    tab_to(page, "#wipe")
    page.keyboard.press("Home")


def test_every_control_has_a_name(page: Any) -> None:
    nameless = page.evaluate(
        """() => [...document.querySelectorAll("input, select, button")].filter((each) =>
            !(each.labels?.length || each.getAttribute("aria-label") || each.textContent.trim()))
            .map((each) => each.outerHTML)"""
    )
    assert nameless == []


def test_nothing_moves_by_itself_and_nothing_comes_from_elsewhere(page: Any) -> None:
    assert page.get_attribute("#play", "aria-pressed") == "false"
    loaded = page.evaluate("() => performance.getEntriesByType('resource').map((each) => each.name)")
    assert loaded
    assert all(name.startswith(("http://127.0.0.1:", "data:", "blob:")) for name in loaded)

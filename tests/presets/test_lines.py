from __future__ import annotations

import tomllib
from textwrap import dedent

from halocline.presets.lines import key_lines, key_places, line_of

TEXT = dedent(
    """\
    format = 1   # a comment with [brackets] and "quotes"
    title = "A [title] = # no comment"

    [water]
    jerlov_type = "1C"
    "quoted key" = 'it''s' # tomllib refuses this, the walker does not mind
    """
).replace("'it''s'", "'its'") + dedent(
    '''\
    constituents = { chlorophyll = 2.0, mineral = 0.1 }
    notes = """
    many
    [lines]
    """
    keys = [
      [1, 2],  # first
      [3, 4],
    ]
    after = 5

    [[steps.haze.layers]]
    size = 1
    [[steps.haze.layers]]
    size = 2
    a.b = 3
    [steps.haze.layers.inner]
    x = 1
    '''
)


def test_every_key_has_its_line() -> None:
    tomllib.loads(TEXT)
    lines = key_lines(TEXT)
    assert lines == {
        ("format",): 1,
        ("title",): 2,
        ("water",): 4,
        ("water", "jerlov_type"): 5,
        ("water", "quoted key"): 6,
        ("water", "constituents"): 7,
        ("water", "constituents", "chlorophyll"): 7,
        ("water", "constituents", "mineral"): 7,
        ("water", "notes"): 8,
        ("water", "keys"): 12,
        ("water", "after"): 16,
        ("steps", "haze", "layers"): 18,
        ("steps", "haze", "layers", "0"): 18,
        ("steps", "haze", "layers", "0", "size"): 19,
        ("steps", "haze", "layers", "1"): 20,
        ("steps", "haze", "layers", "1", "size"): 21,
        ("steps", "haze", "layers", "1", "a", "b"): 22,
        ("steps", "haze", "layers", "1", "inner"): 23,
        ("steps", "haze", "layers", "1", "inner", "x"): 24,
    }


def test_key_that_is_not_there_has_the_line_of_what_would_hold_it() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("water", "constituents", "mineral")) == 7
    assert line_of(lines, ("water", "nothing")) == 4
    assert line_of(lines, ("story",)) is None


def test_keys_of_tables_in_a_list_have_their_own_lines_and_are_counted() -> None:
    lines = key_lines(
        dedent(
            """\
            [steps.vent]
            sources = [ # first [comment]
              { name = "a]", at = 1979-05-27 07:32:00, size = 1 }, { name = 'b' },
              {
                name = "c", # a comma, and a }
                inner.size = 2,
              },
            ]
            after = "x"
            """
        )
    )
    sources = ("steps", "vent", "sources")
    assert lines[(*sources, "0", "size")] == 3
    assert lines[(*sources, "1", "name")] == 3
    assert lines[(*sources, "2", "name")] == 5
    assert lines[(*sources, "2", "inner", "size")] == 6
    assert lines["steps", "vent", "after"] == 9
    assert (*sources, "2", "inner") not in lines


def test_places_are_those_of_the_words_themselves() -> None:
    places = list(key_places(TEXT))
    assert len(places) > 15
    for place in places:
        word = next(part for part in reversed(place.path) if not part.isdigit())
        assert TEXT[place.start : place.end] == word


def test_lines_of_windows_files_are_the_same() -> None:
    assert key_lines(TEXT.replace("\n", "\r\n")) == key_lines(TEXT)

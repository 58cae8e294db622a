from __future__ import annotations

import tomllib
from textwrap import dedent

from halocline.presets.lines import key_lines, line_of

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
        ("water", "notes"): 8,
        ("water", "keys"): 12,
        ("water", "after"): 16,
        ("steps", "haze", "layers", "0"): 18,
        ("steps", "haze", "layers", "0", "size"): 19,
        ("steps", "haze", "layers", "1"): 20,
        ("steps", "haze", "layers", "1", "size"): 21,
        ("steps", "haze", "layers", "1", "a", "b"): 22,
        ("steps", "haze", "layers", "1", "inner"): 23,
        ("steps", "haze", "layers", "1", "inner", "x"): 24,
    }


def test_key_in_an_inline_table_has_the_line_of_what_holds_it() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("water", "constituents", "mineral")) == 7
    assert line_of(lines, ("water", "nothing")) == 4
    assert line_of(lines, ("story",)) is None


def test_lines_of_windows_files_are_the_same() -> None:
    assert key_lines(TEXT.replace("\n", "\r\n")) == key_lines(TEXT)

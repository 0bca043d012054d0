"""YAML text to data with places, and what of YAML is refused."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from matbridge.mapping import reading
from matbridge.mapping.document import Document, Mark
from matbridge.mapping.reading import MAX_BYTES, MAX_PROBLEMS, read
from matbridge.mapping.syntax import MAX_DEPTH

LOADERS = [yaml.Loader, *([yaml.CLoader] if hasattr(yaml, "CLoader") else [])]


@pytest.fixture(params=LOADERS, ids=lambda loader: loader.__name__, autouse=True)
def _loader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test here runs with PyYAML's own parser, and with libyaml's where it is built in."""
    monkeypatch.setattr(reading, "LOADER", request.param)


def document(text: str) -> Document:
    return read(text.encode(), "show.yaml")


def said(text: str) -> list[str]:
    """The problems of a text as `line:column message`."""
    problems = document(text).problems
    return [f"{problem.line}:{problem.column} {problem.message}" for problem in problems]


def one(text: str) -> str:
    (problem,) = said(text)
    return problem


# ---- values ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("7", 7),
        ("+2", 2),
        ("-12", -12),
        ("0", 0),
        ("0x5A", 90),
        ("0.7", 0.7),
        ("-.5", -0.5),
        ("true", True),
        ("false", False),
        ("D3", "D3"),
        ("C#3", "C#3"),
        ("F#-1", "F#-1"),
        ("E-1", "E-1"),
        ("1/8.", "1/8."),
        ("y", "y"),
        ("low tide", "low tide"),
        ("/dev/ttyACM0", "/dev/ttyACM0"),
        ("usb:2e8a:0005", "usb:2e8a:0005"),
        ("'on'", "on"),
        ('"12:30"', "12:30"),
        ("'010'", "010"),
        ('"7"', "7"),
        ('""', ""),
        ("'C #3'", "C #3"),
        ("7th", "7th"),
        ("one-two", "one-two"),
        ("truest", "truest"),
        ("nothing", "nothing"),
    ],
)
def test_a_value_is_what_it_looks_like(written: str, value: object) -> None:
    read_back = document(f"key: {written}\n")
    assert read_back.problems == []
    assert read_back.data == {"key": value}
    assert isinstance(read_back.data, dict)
    assert type(read_back.data["key"]) is type(value)


@pytest.mark.parametrize(
    ("written", "advice"),
    [
        ("on", 'write true for a choice, or "on" for a name'),
        ("Yes", 'write true for a choice, or "Yes" for a name'),
        ("OFF", 'write false for a choice, or "OFF" for a name'),
        ("no", 'write false for a choice, or "no" for a name'),
        ("True", 'written in small letters, or as "True"'),
        ("010", 'write 10, or "010" for a name'),
        ("08", 'write 8, or "08" for a name'),
        ("00", 'write 0, or "00" for a name'),
        ("12:30", 'write a number, or "12:30"'),
        ("1:00", 'write a number, or "1:00"'),
        ("1_000", "without '_'"),
        ("0b11", "write it in tens"),
        ("0o17", "write it in tens"),
        ("1e4", "write the number out"),
        ("1.0e+4", "write the number out"),
        ("5.", "write 5.0"),
        (".inf", "no number here"),
        ("-.INF", "no number here"),
        (".nan", "no number here"),
        ("2024-01-01", 'write "2024-01-01"'),
        ("9" * 31, "a number of 31 digits is too long"),
    ],
)
def test_a_surprise_of_yaml_says_what_to_write(written: str, advice: str) -> None:
    problem = one(f"key: {written}\n")
    assert problem.startswith("1:6 ")
    assert advice in problem


@pytest.mark.parametrize("written", ["on", "no", "010", "12:30", "True"])
def test_a_surprising_name_is_refused_and_its_content_is_still_read(written: str) -> None:
    read_back = document(f"presets:\n  {written}: {{channel: 3}}\n")
    (problem,) = read_back.problems
    assert (problem.line, problem.column) == (2, 3)
    assert read_back.data == {"presets": {written: {"channel": 3}}}


@pytest.mark.parametrize("written", ["", "~", "null", "# C4", " # a note"])
def test_nothing_is_no_value(written: str) -> None:
    assert "nothing is written for 'note'" in one(f"note: {written}\nkey: 1\n")


def test_a_sharp_after_a_space_is_told_from_a_remark() -> None:
    assert one("a1: #C3\n").endswith("'#' starts a comment; put the value in quotes")
    assert one("a1: # my note\n").endswith("give it a value, or leave it out")
    assert one("a1: {note: C #3}\n") == (
        "1:14 '#' after a space starts a comment, which cuts this line short"
    )
    assert one("a1: {note: C #3}\na2: {note: D3}\n").startswith("1:14 '#' after a space")


# ---- what is refused ---------------------------------------------------------------------------


def test_an_alias_and_its_anchor_are_refused() -> None:
    anchor, alias = said("a: &x {note: D3}\nb: *x\n")
    assert anchor.startswith("1:4 '&x' is a YAML anchor; say what is shared once in 'defaults'")
    assert alias.startswith("2:4 '*x' is a YAML alias; say what is shared once in 'defaults'")


def test_a_merge_key_is_refused() -> None:
    assert any(problem.startswith("2:6 '<<' merges") for problem in said("a: 1\nb: { <<: 2}\n"))


@pytest.mark.parametrize("tag", ["!note", "!!int", "!!python/object/apply:os.system"])
def test_a_tag_is_refused(tag: str) -> None:
    assert one(f"a: {tag} D3\n").startswith("1:4 '!")


def test_an_alias_bomb_is_refused_at_its_first_level() -> None:
    levels = [f"b{n}: &b{n} [{', '.join([f'*b{n - 1}'] * 9)}]\n" for n in range(1, 9)]
    problems = said("b0: &b0 [x, x]\n" + "".join(levels))
    assert problems[0].startswith("1:5 '&b0'")
    assert len(problems) <= MAX_PROBLEMS + 1


@pytest.mark.parametrize(("first", "second"), [("a1", "a1"), ("a1", '"a1"'), ("60", "'60'")])
def test_a_key_that_is_written_twice_is_refused_with_both_places(first: str, second: str) -> None:
    read_back = document(f"{first}: 1\nb: 2\n{second}: 3\n")
    (problem,) = read_back.problems
    assert (problem.line, problem.column) == (3, 1)
    assert problem.message.endswith("is written twice; it is also in line 1")


def test_keys_that_yaml_takes_for_equal_but_a_reader_does_not_are_two() -> None:
    assert document("60: a\n0x3C: b\n").problems == []


@pytest.mark.parametrize(
    "text", ["? [a, b]\n: c\n", "{[a]: b}\n", "? {a: b}\n: c\n", "{{a: b}: c}\n"]
)
def test_a_list_or_mapping_is_no_key(text: str) -> None:
    assert one(text).endswith("a list or mapping cannot be a key; a key is one word or name")


def test_a_missing_key_is_said() -> None:
    assert "a name is missing before the ':'" in one("? ~\n: 3\n")


def test_two_documents_are_refused() -> None:
    assert one("a: 1\n---\nb: 2\n") == "2:1 a second document starts here; write one a file"


@pytest.mark.parametrize("text", ["", "\n\n", "# only a remark\n", "---\n", "~\n"])
def test_an_empty_file_is_said_to_be(text: str) -> None:
    assert said(text) == ["0:0 the file is empty"]


# ---- places ------------------------------------------------------------------------------------


def test_every_value_and_key_has_its_place() -> None:
    read_back = document("# a show\npresets:\n  low tide: {zones: {a1: [D3, {note: 'C#4'}]}}\n")
    zone = ("presets", "low tide", "zones", "a1")
    assert read_back.key_marks["presets",] == Mark(2, 1)
    assert read_back.key_marks[zone] == Mark(3, 22)
    assert read_back.marks[zone] == Mark(3, 26)
    assert read_back.marks[*zone, 0] == Mark(3, 27)
    assert read_back.marks[*zone, 1, "note"] == Mark(3, 38)


def test_a_problem_shows_its_line_and_falls_back_to_what_is_around() -> None:
    read_back = document("presets:\n  low tide:\n    channel: 3\n")
    at = read_back.at(("presets", "low tide", "channel"), "x")
    assert (at.line, at.column, at.source) == (3, 14, "    channel: 3")
    missing = read_back.at(("presets", "low tide", "output"), "x")
    assert (missing.line, missing.column) == (2, 3)
    assert read_back.at(("presets", "low tide", "channel"), "x", key=True).column == 5


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n"])
def test_every_line_end_counts_as_one_line(end: str) -> None:
    assert one(f"a: 1{end}{end}b: on{end}").startswith("3:4 ")


def test_a_byte_order_mark_moves_no_place() -> None:
    (problem,) = read(b"\xef\xbb\xbfa: on\n", "x").problems
    assert (problem.line, problem.column) == (1, 4)


def test_letters_beyond_ascii_count_as_one_column() -> None:
    assert one("{é♯: on}\n").startswith("1:6 ")


# ---- what is no YAML ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("a:\n\tb: 1\n", "2:1 a tab cannot indent a line; use spaces"),
        ("a: {b: 1\nc: 2\n", "a ',' or the closing '}' is missing before this"),
        ("a: [1, 2\n", "a ',' or the closing ']' is missing before this"),
        ('a: "b\n', "1:4 the quotes that open here are not closed"),
        ("a: @b\n", "1:4 '@' cannot start a value; put the text in quotes"),
        ("a: %b\n", "1:4 '%' cannot start a value; put the text in quotes"),
        ("a: `b\n", "1:4 '`' cannot start a value; put the text in quotes"),
        ("a: b: c\n", "1:5 a ':' is not expected here"),
        ("a: 1\n b: 2\n", "a ':' is not expected here"),
        ("a:\n  b: 1\n c: 2\n", "3:2 this line does not stand below the one it belongs to"),
        ("- a\nb: 1\n", "this line does not stand below"),
        ("a: *x\n", "1:4 '*x' is a YAML alias"),
        ('a: "\\z"\n', "a '\\' in double quotes starts an escape"),
    ],
)
def test_a_slip_of_the_pen_is_told_in_plain_words(text: str, problem: str) -> None:
    assert problem in one(text)


@pytest.mark.parametrize(
    ("data", "place", "message"),
    [
        (b"a: 1\nb: \xff\n", (2, 4), "byte 0xff is not UTF-8 text"),
        (b"\xff\xfea\x00", (1, 1), "byte 0xff is not UTF-8 text"),
        (b"a: 1\n\x00", (2, 1), "the character '\\x00' cannot stand in a YAML file"),
        (b"a: \xe2\x80\xa8b\n", (1, 4), "the character '\\u2028' cannot stand in a YAML file"),
        (b"a: \xc2\x85b\n", (1, 4), "the character '\\x85' cannot stand in a YAML file"),
        (b"a: \x1b[31m\n", (1, 4), "the character '\\x1b' cannot stand in a YAML file"),
    ],
)
def test_bytes_that_are_no_text_have_their_place(
    data: bytes, place: tuple[int, int], message: str
) -> None:
    (problem,) = read(data, "x").problems
    assert (problem.line, problem.column) == place
    assert problem.message.startswith(message)


# ---- limits ------------------------------------------------------------------------------------


def test_a_huge_file_is_not_read() -> None:
    (problem,) = read(b"#" * (MAX_BYTES + 1), "x").problems
    assert "larger than" in problem.message
    assert read(b"#" * MAX_BYTES, "x").problems[0].message == "the file is empty"


def test_deep_nesting_ends_early_and_exhausts_nothing() -> None:
    assert one("[" * 100) == f"1:{MAX_DEPTH + 1} this is nested more than {MAX_DEPTH} deep"
    assert one("[" * 5000).endswith("this is nested more than 20 deep")
    assert document("[" * MAX_DEPTH + "1" + "]" * MAX_DEPTH).problems == []


def test_problems_end_at_a_limit() -> None:
    read_back = document("".join(f"k{n}: on\n" for n in range(10 * MAX_PROBLEMS)))
    assert len(read_back.problems) == MAX_PROBLEMS + 1
    assert read_back.data is None


# ---- any bytes ---------------------------------------------------------------------------------

WORDS = rb"""a|: |  |- |{|}|[|]|&x |*x|!t |'|"|#|,|?|>|on|010|<<|%|@|\|1:2|~"""
BREAKS = (b"\n", b"---\n", b"\t", b"\r", b"|", b"\xc3\xa9", b"\xff", b"\xe2\x80\xa8")
FRAGMENTS = st.lists(st.sampled_from([*WORDS.split(b"|"), *BREAKS]), max_size=30).map(b"".join)


@given(FRAGMENTS | st.binary(max_size=60))
@example(b"a: \xe2\x80\xa8b: on\n")
@example(b"a: \xc2\x85b: on\n")
def test_no_bytes_raise_and_every_problem_has_a_place_in_the_file(data: bytes) -> None:
    read_back = read(data, "x")
    assert read_back.problems or isinstance(read_back.data, (dict, list, str, int, float))
    for problem in read_back.problems:
        assert problem.message
        if problem.line:
            assert 1 <= problem.line <= len(read_back.lines) + 1
            assert problem.column >= 1
    _check_plain(read_back.data)


def _check_plain(value: Any) -> None:
    """Only plain data comes out, a tree without anything shared."""
    if isinstance(value, dict):
        assert all(isinstance(key, str) for key in value)
        for each in value.values():
            _check_plain(each)
    elif isinstance(value, list):
        for each in value:
            _check_plain(each)
    else:
        assert value is None or type(value) in (str, int, float, bool)

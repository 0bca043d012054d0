"""The reference of all keys."""

from __future__ import annotations

import re

from matbridge.mapping.reference import LISTS, SAME, SECTIONS, reference
from matbridge.mapping.schemas import FORMS, json_schema


def test_every_form_of_the_schemas_is_told() -> None:
    for kind in FORMS:
        told = {name for _, names in SECTIONS[kind] for name in names}
        assert told == {"", *json_schema(kind)["$defs"]} - SAME.keys()


def test_every_key_has_a_row_with_its_meaning() -> None:
    text = reference()
    for kind in FORMS:
        schema = json_schema(kind)
        for name, form in {"": schema, **schema["$defs"]}.items():
            if name in SAME:
                continue
            for key, value in form["properties"].items():
                meaning = value["description"].replace("|", "\\|")
                assert re.search(rf"\| `{key}` \| .* \| {re.escape(meaning)} \|", text), key


def test_every_link_leads_to_a_heading() -> None:
    text = reference()
    headings = re.findall(r"^### (.+)$", text, re.MULTILINE)
    anchors = {heading.lower().replace(",", "").replace(" ", "-") for heading in headings}
    assert len(anchors) == len(headings)
    links = set(re.findall(r"\]\(#([^)]+)\)", text))
    assert links
    assert links <= anchors
    assert not re.search(r"^#{1,2} ", text, re.MULTILINE)


def test_tables_are_whole() -> None:
    for line in reference().splitlines():
        if line.startswith("|"):
            assert len(re.findall(r"(?<!\\)\|", line)) == 4, line


def test_words_too_many_for_a_table_are_listed() -> None:
    text = reference()
    for heading, words in LISTS.items():
        body = text.split(f"### {heading}\n\n")[1].split("\n")[0]
        assert body == ", ".join(words) + "."

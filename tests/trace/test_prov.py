"""The way back as PROV-JSON: statements that hang together."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.lineage.scene import Scene
from tracker.book import Book
from tracker.trace import trace

KINDS = {"entity", "activity", "agent"}
ENDS = {
    "used": {"prov:activity": "activity", "prov:entity": "entity"},
    "wasGeneratedBy": {"prov:entity": "entity", "prov:activity": "activity"},
    "wasDerivedFrom": {"prov:generatedEntity": "entity", "prov:usedEntity": "entity"},
    "wasAssociatedWith": {"prov:activity": "activity", "prov:agent": "agent"},
    "wasAttributedTo": {"prov:entity": "entity", "prov:agent": "agent"},
    "wasInformedBy": {"prov:informed": "activity", "prov:informant": "activity"},
    "specializationOf": {"prov:specificEntity": "entity", "prov:generalEntity": "entity"},
}
"""Relations used here and the kinds of their ends, by the W3C PROV-DM recommendation, section 5."""


@pytest.fixture
def document(book: Book, scene: Scene) -> dict[str, Any]:
    """Give the scene's trace as PROV."""
    del scene
    return trace(book, "M0001-Y").prov()


def test_only_known_relations_are_used(document: dict[str, Any]) -> None:
    """Every top-level key is the prefix, a kind of thing, or a relation of PROV."""
    assert set(document) <= {"prefix"} | KINDS | set(ENDS)


@pytest.mark.parametrize("ident", ["M0001-Y", "J0002-01-T", "J0002-H", "S0001-R", "D0001-Q", "R0001-M"])
def test_both_ends_of_a_relation_are_stated(book: Book, scene: Scene, ident: str) -> None:
    """Each relation joins things of the kinds it may join, and both are in the document."""
    del scene
    document = trace(book, ident).prov()
    for relation, ends in ENDS.items():
        for statement in document.get(relation, {}).values():
            for end, kind in ends.items():
                assert statement[end] in document[kind]


def test_no_name_is_a_thing_and_a_deed(document: dict[str, Any]) -> None:
    """Entities, activities and agents do not share names (PROV-CONSTRAINTS, 50 to 55)."""
    names = [set(document[kind]) for kind in KINDS]

    assert len(set.union(*names)) == sum(map(len, names))


def test_every_prefix_is_declared(document: dict[str, Any]) -> None:
    """Each qualified name begins with a prefix that the document declares."""
    prefixes = {name.partition(":")[0] for kind in KINDS for name in document[kind]}

    assert prefixes <= set(document["prefix"])


def test_the_number_is_derived_from_readings_and_recording(document: dict[str, Any]) -> None:
    """The strength comes from the readings and from the curve."""
    sources = {
        each["prov:usedEntity"].partition(":")[0] + ":" + each["prov:usedEntity"].partition(":")[2][:8]
        for each in document["wasDerivedFrom"].values()
        if each["prov:generatedEntity"] == "sb:M0001-Y.tensile.strength"
    }

    assert sources == {"sb:M0001-Y.", "sha256:a41892d1"}


def test_the_job_used_spool_and_plate_file(document: dict[str, Any]) -> None:
    """What went into the print is stated."""
    used = {
        each["prov:entity"][:10]
        for each in document["used"].values()
        if each["prov:activity"] == "sb:J0002-H"
    }

    assert used == {"sb:S0001-R", "sha256:2ae"}


def test_the_document_is_plain_json(document: dict[str, Any]) -> None:
    """It can be written and read back."""
    assert json.loads(json.dumps(document, allow_nan=False)) == document

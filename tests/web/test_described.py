"""The description for programs holds, whatever is sent."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import Case, GenerationMode
from schemathesis.core.result import Ok
from schemathesis.schemas import APIOperation

from tests.web.site import PATIENCE_S, Site, running
from tracker.book import open_book
from tracker.desk.devices import pair_device
from tracker.plugins import Plugged


@pytest.fixture(scope="module")
def described(
    book_template: Path, tmp_path_factory: pytest.TempPathFactory, plugged: Plugged
) -> Iterator[tuple[Site, str]]:
    """Give a page that runs for all the tries of this module, and a token."""
    place = tmp_path_factory.mktemp("described") / "book"
    shutil.copytree(book_template, place)
    with open_book(str(place)) as book, running(book, plugged) as site:
        _, token = pair_device(book, "Ada Bench", "load cell", rig=site.rig)
        yield site, token


OPERATIONS = (
    "POST /api/measurements",
    "POST /api/recordings",
    "POST /api/acts/{name}",
    "POST /api/sheets",
    "GET /api/today",
    "GET /api/methods",
    "GET /api/list/{kind}",
    "GET /api/show/{name}",
    "GET /api/trace/{name}",
)


@pytest.fixture(scope="module")
def operations(described: tuple[Site, str]) -> dict[str, APIOperation[Any, Any, Any, Any]]:
    """Give what can be asked, as the description says it."""
    site, token = described
    schema = schemathesis.openapi.from_url(
        f"{site.url}/openapi.json", headers={"Authorization": f"Bearer {token}"}, timeout=PATIENCE_S
    )
    every = [each.ok() for each in schema.get_all_operations() if isinstance(each, Ok)]
    return {f"{each.method.upper()} {each.path}": each for each in every}


def test_every_operation_is_tried(operations: dict[str, APIOperation[Any, Any, Any, Any]]) -> None:
    """What is described is what the next test tries."""
    assert set(operations) == set(OPERATIONS)


@pytest.mark.parametrize("name", OPERATIONS)
@pytest.mark.parametrize("mode", list(GenerationMode))
def test_nothing_that_is_sent_breaks_the_page(
    described: tuple[Site, str],
    operations: dict[str, APIOperation[Any, Any, Any, Any]],
    name: str,
    mode: GenerationMode,
) -> None:
    """Whatever comes, right or wrong, the answer is never an error of ours."""
    site, token = described
    if mode is GenerationMode.NEGATIVE and name in ("GET /api/methods", "GET /api/today"):
        pytest.skip("it takes nothing that could be wrong")

    @given(case=operations[name].as_strategy(generation_mode=mode))
    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    def tried(case: Case[Any]) -> None:
        mine = {"Authorization": f"Bearer {token}"}
        answer = case.call(base_url=site.url, headers=mine, timeout=PATIENCE_S)
        assert answer.status_code < 500, answer.text

    tried()

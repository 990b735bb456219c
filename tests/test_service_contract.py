"""The service keeps to its own OpenAPI document: schemathesis tries what the document allows, and what it does not."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.strategies import SearchStrategy
from schemathesis.specs.openapi.checks import positive_data_acceptance  # a schema cannot say what a fastener is

from api.access import Access
from tests.bench_stubs import PATIENCE_S, add_gusset, measured, served, stub_bench

SLOWEST_S = 5 * PATIENCE_S
"""The first picture waits for a drawing process that imports the image libraries."""
TRIES = 12
"""Of each operation: all of them end within a minute."""


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schemathesis.BaseSchema]:
    with stub_bench(tmp_path_factory.mktemp("contract"), limit_bytes=100_000) as bench:
        add_gusset(bench)
        measured(bench, "by hand", 1, "A")
        with served(bench, Access()) as address:
            yield schemathesis.openapi.from_url(f"{address}/api/v1/openapi.json")


def test_no_request_meets_a_fault_or_an_undocumented_answer(document: schemathesis.BaseSchema) -> None:
    operations = [found.ok() for found in document.get_all_operations()]
    assert len(operations) >= 24, "every route of the document was found"
    for operation in operations:
        _try(operation.as_strategy())


def _try(requests: SearchStrategy[schemathesis.Case]) -> None:
    @settings(max_examples=TRIES, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    @given(case=requests)
    def answered_as_documented(case: schemathesis.Case) -> None:
        case.call_and_validate(timeout=SLOWEST_S, excluded_checks=[positive_data_acceptance])

    answered_as_documented()

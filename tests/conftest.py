"""What holds for all tests: none reads or writes the user's own readings and camera profiles."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from holeinspect.scale.readings import DATA_VARIABLE


@pytest.fixture(scope="session", autouse=True)
def _apart_from_the_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(DATA_VARIABLE, str(tmp_path_factory.mktemp("data")))
        yield

"""What tests need beside the packages: missing, it is a reason to skip at a desk and a failure in CI."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest

__all__ = ["lacking"]


def lacking(message: str) -> NoReturn:
    """Skip the test, or fail it in CI."""
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)

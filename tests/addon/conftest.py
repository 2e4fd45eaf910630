"""The add-on, registered for the tests that call its operators."""

from __future__ import annotations

import pytest

import takemill_addon


@pytest.fixture(scope="module")  # one module switches the add-on off and on
def addon():
    takemill_addon.register()
    yield takemill_addon
    takemill_addon.unregister()

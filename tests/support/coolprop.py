"""CoolProp as the outside source of the gas table, where it is installed."""

import importlib
from types import ModuleType

import pytest


def gas_table_maker() -> ModuleType:
    """Return the module that makes the gas table; skip the test without CoolProp, and for no other reason."""
    pytest.importorskip("CoolProp")
    return importlib.import_module("tests.standards.make_gas_table")

"""Lets tests use the scripts of tools/ as modules."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from types import ModuleType

TOOLS = Path(__file__).parent.parent / "tools"


def tool(name: str) -> ModuleType:
    """A script of tools/ as a module; scripts there may import each other."""
    if str(TOOLS) not in sys.path:
        sys.path.append(str(TOOLS))
    return importlib.import_module(name)

"""Tables and figures.

`roomsim.report(result, folder)` is this package, called: Python binds a package's own name to its module
as soon as anything imports it, so the module itself is made callable.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _Report(ModuleType):
    def __call__(self, *args: Any, **named: Any) -> Any:
        from .write import write_report

        return write_report(*args, **named)


sys.modules[__name__].__class__ = _Report

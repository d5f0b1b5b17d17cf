"""Plan, bake, taste and learn: rounds of test bakes with honest statistics.

The names stand in `__init__.pyi`, for editors and type checkers; they are loaded when they are
used, so that ``import trials`` costs nothing.

Examples
--------
>>> import trials
>>> trials.Numeric("rest", 20, 60, "min").show(40)
'40 min'
"""

from trials.base.offered import offered
from trials.base.version import __version__ as __version__

__all__, __getattr__, __dir__ = offered(__file__, __name__)

"""Which bakes: the families of plans and what each can tell.

The names stand in `__init__.pyi` and are loaded when they are used.
"""

from trials.base.offered import offered

__all__, __getattr__, __dir__ = offered(__file__, __name__)

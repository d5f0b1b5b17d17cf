"""Results as figures, each with its text description.

The names stand in `pictures.pyi` and are loaded when they are used.
"""

from trials.base.offered import offered

__all__, __getattr__, __dir__ = offered(__file__, __name__)

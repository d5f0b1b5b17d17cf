"""What a bake is in its round, and what became of it: plain text in tables, names in code."""

from enum import StrEnum


class Role(StrEnum):
    """What a bake is for: a trial, the middle of all ranges, or the reference."""

    TRIAL = "trial"
    CENTRE = "centre"
    REFERENCE = "reference"


class Status(StrEnum):
    """What became of a bake; only one that was made has scores."""

    MADE = "made"
    FAILED = "failed"
    NOT_SERVED = "not served"
    NOT_BAKED = "not baked"


STATUSES = tuple(one.value for one in Status)
WITHOUT_SCORE = STATUSES[1:]

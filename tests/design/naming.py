"""Factors with names that must work everywhere."""

from trials.core import factors as kinds

ODD = ("oil: temperature", "hydration %", "épeautre", '"fine" sugar', "proof^2", "rest, min")


def numbers(count, **more):
    """Numeric factors from 0 to 10, the first ones oddly named."""
    names = [*ODD, *(f"x{place}" for place in range(count))][:count]
    return [kinds.Numeric(name, 0, 10, **more) for name in names]


def parts(count):
    """Components without limits."""
    return [kinds.Component(name) for name in ("rye", "spelt %", "wheat: white", "oat")[:count]]

"""The root of every error rampwright raises on purpose, and the kinds the physics knows."""

from __future__ import annotations


class RampwrightError(Exception):
    """Root of all deliberate errors: its text is meant to be read by the person at the bench."""


class InvalidInputError(RampwrightError, ValueError):
    """A value no physical column, gas or program can have."""


class OutsideValidityError(RampwrightError, ValueError):
    """A value for which an equation used here is not valid."""


class EngineError(RampwrightError, ArithmeticError):
    """A number inside the engine is not finite: an internal error. Names program and compound, counted from one."""

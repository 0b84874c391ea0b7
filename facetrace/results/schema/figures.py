"""What all members are made of: figures with their standard errors, colours."""

from typing import Annotated

from pydantic import Field

from facetrace.results.schema.member import Member, NotNegative, Triple, absent


class Value(Member):
    """A figure and its standard error."""

    value: float
    stderr: NotNegative


class Estimate(Member):
    """A mean, its standard error, and the degrees of freedom that this rests on (for Student's t)."""

    value: float
    stderr: NotNegative
    dof: Annotated[float, Field(ge=1)] = absent()


class Colour(Member):
    """Mean colour; XYZ relative to a white diffuser with Y = 1; CIE 1976 L*C*h, absent for one
    wavelength.
    """

    xyz: Annotated[list[Estimate], Field(min_length=3, max_length=3)]
    lightness: Estimate = absent()
    chroma: Estimate = absent()
    hue_deg: Estimate = absent()


class FieldColour(Member):
    """One field of the dichroscope: XYZ (white: Y = 1) and CIE 1976 L*C*h."""

    xyz: Triple
    lightness: float
    chroma: float
    hue_deg: float

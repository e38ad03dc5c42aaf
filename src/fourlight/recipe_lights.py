"""Settings on single lights: what the user decides against what a run finds by itself."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints, model_validator

from fourlight.settings import Section

__all__ = ["Lights"]

Reason = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Lights(Section):
    """Single lights, named by their file or an end of its path."""

    leave_out: Annotated[
        dict[str, Reason],
        Field(
            description="Lights that are not used, each with the reason, such as "
            '{"night1/light_7.fits" = "an aeroplane"}'
        ),
    ] = {}  # noqa: RUF012  # every recipe gets a copy
    use: Annotated[
        tuple[str, ...],
        Field(
            description="Lights that are used though they are measured to be trailed, out of focus or clouded over"
        ),
    ] = ()

    @model_validator(mode="after")
    def _decided_once(self) -> Lights:
        both = [name for name in self.use if name in self.leave_out]
        if both:
            raise ValueError(f"{both[0]} is left out and used; name it in one of the two")
        return self

"""First lights of a running stack whose files are written again: taken as they are now, or left out."""

from __future__ import annotations

from fourlight.frames import RawFrame, Role, SetAside
from fourlight.pipeline.live_stack import GONE, LiveStack, unlike

__all__ = ["renew"]


def renew(stack: LiveStack, found: RawFrame | SetAside) -> tuple[SetAside, ...] | None:
    """Make ground and stack anew with a first light as its file is now, or without it where it is not fit.

    Returns the lights that are set aside by that, it or others. None where its light stays as it was taken: the ground
    is complete, or it is none of the first lights.
    """
    if stack.begun or all(frame.path != found.path for frame in stack.first):
        return None
    stack.job.hashes.pop(found.path, None)
    gone = [frame for frame in stack.first if frame.path != found.path and not frame.path.exists()]
    before = [frame for frame in stack.first if frame not in gone]
    lost = tuple(SetAside(frame.path, "read", GONE) for frame in gone)
    rest = [frame for frame in before if frame.path != found.path]
    why = found if isinstance(found, SetAside) else _unfit(found, rest)
    if isinstance(found, RawFrame) and why is None:
        first = [found if frame.path == found.path else frame for frame in before]
        aside, refused = _laid(stack, first)
        if not refused:
            return (*lost, *aside)
        aside, still = _laid(stack, rest)
        if not still:
            return (*lost, SetAside(found.path, "measure", refused), *aside)
        _wait(stack, first)  # others may have been written again as well, and are not looked at yet
        return lost
    assert why is not None
    aside, refused = _laid(stack, rest)
    if refused:
        _wait(stack, rest)
    return (*lost, why, *aside)


def _unfit(raw: RawFrame, rest: list[RawFrame]) -> SetAside | None:
    """Why a file that was written again is no light like the other first ones; None where it is."""
    if raw.role is not Role.LIGHT:
        return SetAside(raw.path, "select", f"its file was written again, and is a {raw.role} now")
    words = unlike(raw, rest[0]) if rest else ""
    return SetAside(raw.path, "select", words) if words else None


def _laid(stack: LiveStack, first: list[RawFrame]) -> tuple[tuple[SetAside, ...], str]:
    """Make ground and stack of these lights and of nothing that was known: those set aside, and why it cannot be."""
    if not first:
        _wait(stack, [])
        return (), ""
    known, strays = len(stack.job.set_aside), stack.strays
    stack.first, stack.ground = [], None
    refused = stack.tried(first)
    aside = tuple(stack.job.set_aside[known:])
    del stack.job.set_aside[known:]
    if refused:
        return (), refused
    lost = {item.path for item in aside}
    stack.first = [frame for frame in first if frame.path not in lost]
    if len(stack.first) == 1:
        stack.strays = strays
    return aside, ""


def _wait(stack: LiveStack, first: list[RawFrame]) -> None:
    """Leave the stack empty until the next light is laid with these."""
    stack.first, stack.ground, stack.count = first, None, 0
    if stack.sums is not None:
        stack.sums.clear()

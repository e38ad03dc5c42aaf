"""Orders for jobs in processes of their own: steps without work, an end of every kind."""

from __future__ import annotations

import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from fourlight.engine import in_order
from fourlight.errors import StageError


@dataclass(frozen=True)
class Steps:
    """Takes steps; where files are named, it waits for one before the first and for the other after half of them."""

    count: int = 5
    go: Path | None = None
    title: str = "Take steps"
    rest: Path | None = None
    lines: int = 1

    def work(self, telling):
        telling.begin("walk", self.count)
        _wait(self.go)
        for number in range(self.count):
            if number == self.count // 2:
                time.sleep(0.12)  # longer than what steps that are told lie apart
                telling.step()
                _wait(self.rest)
            else:
                telling.step()
        telling.end(f"{self.count} steps taken")
        for _ in range(self.lines):
            telling.line("to know", "the way was flat")


def _wait(path):
    while path is not None and not path.exists():
        time.sleep(0.02)


@dataclass(frozen=True)
class Fails:
    """Ends in an error: of the kind that users can act on, or a fault."""

    fault: bool = False
    title: str = "Fail"

    def work(self, telling):
        if self.fault:
            raise ZeroDivisionError("nothing to divide by")
        raise StageError("walk", None, "the bridge is out", "take another way")


@dataclass(frozen=True)
class Dies:
    """Ends without a word."""

    title: str = "Vanish"

    def work(self, telling):
        telling.begin("walk", 2)
        os._exit(1)


@dataclass(frozen=True)
class Waits:
    """Waits for threads, as a run does; leaves a file when it has put things in order."""

    tidied: Path
    begun: Path
    deaf: bool = False
    title: str = "Wait"

    def work(self, telling):
        telling.begin("wait", 1)
        if self.deaf:
            threading.Thread(target=self.begun.touch).start()
            while True:
                try:
                    time.sleep(60)
                except KeyboardInterrupt:
                    continue
        try:
            list(in_order(self._nap, range(1000), 2))
        finally:
            self.tidied.touch()

    def _nap(self, _number):
        self.begun.touch()
        time.sleep(0.05)


@dataclass(frozen=True)
class Makes:
    """Leaves results, as far as the page asks for them."""

    out: Path
    settings: dict[str, object] | None = None
    title: str = "Make the picture anew"

    def work(self, telling):
        from web_pictures import write_picture
        from web_results import write_results

        telling.begin("picture", 1)
        if not (self.out / "summary.json").exists():
            write_results(self.out, (120, 160))
        write_picture(self.out, self.settings)
        telling.end("picture and report")


@dataclass(frozen=True)
class MakesAgain:
    """Leaves other results: a larger stack, and evidence."""

    out: Path
    title: str = "Run again"

    def work(self, telling):
        from web_results import write_evidence

        telling.begin("integrate", 1)
        write_evidence(self.out)

"""Look for bytes that a reader neither reads nor refuses.

Usage: python fuzz/hunt.py NAME [--minutes M]      (one of: python fuzz/readers.py)

With the package `atheris` (``pip install atheris``) code that is reached steers the search; what reaches more is kept
in ``fuzz/found/NAME``, with what breaks a reader; without it files are changed at random. What broke a reader once
lies in ``fuzz/kept/NAME`` and is read again by the tests.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

try:
    import atheris
except ImportError:
    atheris = None
else:
    os.environ["NUMBA_DISABLE_JIT"] = "1"  # what is compiled cannot be followed
    with atheris.instrument_imports(include=["fourlight"]):
        import readers  # noqa: F401

import numpy as np
from readers import READERS, Reader, read

HERE = Path(__file__).parent
LONGEST_S = 5.0


def changed(content: bytes, chance: np.random.Generator) -> bytes:
    """Some bytes, runs of bytes or numbers of a file set to others, doubled or cut out."""
    data = bytearray(content)
    for _ in range(int(chance.integers(1, 6))):
        at, long = int(chance.integers(0, max(len(data), 1))), int(2 ** chance.integers(0, 9))
        kind = chance.integers(0, 6)
        if kind == 0:
            data[at : at + 1] = bytes([int(chance.integers(0, 256))])
        elif kind == 1:
            data[at : at + long] = b""
        elif kind == 2:
            data[at:at] = data[at : at + long]
        elif kind == 3:
            data[at : at + long] = bytes(chance.integers(0, 256, long, np.uint8))
        elif kind == 4:
            word = WORDS[int(chance.integers(0, len(WORDS)))]
            data[at : at + len(word)] = word
        else:
            digits = [k for k, byte in enumerate(data) if 48 <= byte <= 57]
            if digits:
                place = digits[int(chance.integers(0, len(digits)))]
                data[place : place + 1] = str(int(10 ** chance.uniform(0, 19))).encode()
    return bytes(data[: 1 << 20])


WORDS = [
    b"NaN", b"-inf", b"1e999", b"-1", b"0", b"18446744073709551615", b"\xff\xfe", b"\0" * 8, b"''", b'"""', b"[" * 3000,
    b'{"a":' * 3000, b"a." * 3000, b"\n", b"\r", b"END", b"NAXIS   =", b"END" + b" " * 77, b"T",
    b"\xe2\x80\xae", b"..", b"\x1b[31m",
]  # fmt: skip


def _at_random(reader: Reader, minutes: float) -> None:
    chance, seeds = np.random.default_rng(), [*reader.seeds(), *kept(reader)]
    told, count, until = {""}, 0, time.monotonic() + 60 * minutes
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < until:
            content = changed(seeds[int(chance.integers(0, len(seeds)))], chance)
            begun = time.monotonic()
            try:
                said = read(reader, content, Path(folder))
                assert time.monotonic() - begun < LONGEST_S, "it took more than 5 s"
            except BaseException:
                place = HERE / "found" / reader.name / f"crash-{time.time_ns()}"
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(content)
                print(f"{place} breaks the reader", flush=True)
                raise
            count += 1
            new = said.split(":")[-1][:60]
            if new not in told and len(seeds) < 2000:  # another way to be refused: something new was reached
                told.add(new)
                seeds.append(content)
    print(f"{reader.name}: {count} files, {len(told) - 1} ways of refusing, no fault", flush=True)


def kept(reader: Reader) -> list[bytes]:
    """What broke a reader once."""
    return [path.read_bytes() for path in sorted((HERE / "kept" / reader.name).glob("*"))]


def _steered(reader: Reader, minutes: float) -> None:
    found = HERE / "found" / reader.name
    found.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate([*reader.seeds(), *kept(reader)]):
        (found / f"seed-{number}").write_bytes(seed)
    folder = Path(tempfile.mkdtemp())
    atheris.Setup(
        [sys.argv[0], str(found), f"-max_total_time={int(60 * minutes)}", f"-timeout={int(LONGEST_S)}",
         "-rss_limit_mb=1024", f"-artifact_prefix={found}/crash-"],
        lambda content: read(reader, content, folder),
    )  # fmt: skip
    atheris.Fuzz()


def main() -> None:
    """Hunt for a while."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("name", choices=READERS)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--at-random", action="store_true", help="without atheris, though it is there")
    chosen = parser.parse_args()
    steered = atheris is not None and not chosen.at_random
    (_steered if steered else _at_random)(READERS[chosen.name], chosen.minutes)


if __name__ == "__main__":
    main()

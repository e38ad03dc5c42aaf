"""Write the tables of keys and words in docs/claims.md from the program.

Run as ``python builders/claims_docs.py``; a test checks that they are current.
"""

import re
from pathlib import Path

from fourlight.settings import limits
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_terms import COVARIATES, GROUPS, QUANTITIES, TREATMENTS

PAGE = Path(__file__).parent.parent / "docs" / "claims.md"
START, END = "<!-- claims: keys -->", "<!-- claims: keys end -->"


def tables() -> str:
    """Keys of a claim, and what may stand in them."""
    rows = ["| key | what it says | unless given |", "|---|---|---|"]
    for key, field in Claim.model_fields.items():
        choices = getattr(field.annotation, "__args__", ())
        words = [field.description, limits(field)]
        words += [", ".join(choices)] if all(isinstance(choice, str) for choice in choices) else []
        default = "must be given" if field.is_required() else f"`{_toml(field.default)}`"
        rows.append(f"| {key} | {'; '.join(word for word in words if word)} | {default} |")
    rows += ["", "| quantity | what it is | unit | of |", "|---|---|---|---|"]
    for name, each in QUANTITIES.items():
        of = " and ".join(
            word for word, there in (("lights", each.lights), ("patches", each.patches)) if there
        )
        rows.append(f"| {name} | {each.means}: {each.defined} | {each.unit or 'none'} | {of} |")
    rows += ["", "| side | what it is |", "|---|---|", "| R, G1, G2, B, G, or several joined by + | planes |"]
    rows += [f"| {name} | {words} |" for name, words in {**GROUPS, **TREATMENTS}.items()]
    rows += ["| night 2031-08-19 | lights of that night |", ""]
    steps = ", ".join(f"{name} ({unit})" for name, unit in COVARIATES.items())
    return "\n".join([*rows, f"`over` and `at_equal`: {steps}."])


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(part) for part in value)}]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def page() -> str:
    """The whole page as text, with the tables renewed."""
    text = PAGE.read_text(encoding="utf-8")
    found, times = re.subn(f"{START}.*?{END}", lambda _: f"{START}\n{tables()}\n{END}", text, flags=re.S)
    assert times == 1
    return found


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"wrote {PAGE.name}")

"""Write docs/recipe.md from the settings model.

Run as ``python builders/recipe_docs.py``; a test checks that the page is current.
"""

from pathlib import Path

from fourlight.recipe_toml import defaults_toml

HEAD = """# The recipe

Every setting, with its default. This page is made from the program by `python builders/recipe_docs.py`; the same text
comes from `fourlight recipe --defaults`. Put the settings you want to change in a file and give it with
`fourlight run --recipe FILE`, or give single ones with `--set section.field=value`. Unknown settings are refused, and
the nearest known one is named; `fourlight recipe --check FILE` tells all that is wrong with a file.

```toml
"""


def page() -> str:
    """The whole page as text."""
    return HEAD + defaults_toml() + "```\n"


if __name__ == "__main__":
    target = Path(__file__).parent.parent / "docs" / "recipe.md"
    target.write_text(page(), encoding="utf-8")
    print(f"wrote {target.name}")

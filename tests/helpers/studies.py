"""Where the whole studies put what they found: `tests/studies`, beside nothing else."""

from pathlib import Path

FOLDER = Path(__file__).parents[1] / "studies"


def keep(name, *parts):
    """Write a study down, its title first, one blank line between parts; show it as well."""
    title, *rest = parts
    text = "\n\n".join([f"# {title}", *rest]) + "\n"
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.md").write_text(text, "utf-8")
    print("\n" + text)

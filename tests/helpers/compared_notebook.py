"""A comparison's notebook as the template makes it, without recordings and without a kernel."""

from browser import filled
from builders import make_analysis
from invented import vented_loss
from nbformat import NotebookNode, v4

from reportlib.draw.wordings import narrative_templates
from reportlib.judge.records import Analysis
from reportlib.judge.seat import SEATS
from reportlib.many import figures, tables
from reportlib.many.comparison import about_comparison, compare
from reportlib.many.facts import comparison_facts
from reportlib.many.words import draft_comparison
from reportlib.publish.notebook import for_readers


def three_days() -> tuple[Analysis, ...]:
    """Three loudspeakers: the one loses twice as much, one was measured from a higher baseline."""
    return (
        make_analysis(name="Trivet 6"),
        make_analysis(name="Marram 12", change=lambda f, rise: 0.5 * vented_loss(f, rise), seed=5),
        make_analysis(name="Samphire 3", baseline_db=75.0, levels_db=(81.0, 87.0, 93.0), seed=6),
    )


def comparison_of(reports: tuple[Analysis, ...]) -> NotebookNode:
    """Return the executed notebook of a comparison of these, drafts filled in."""
    comparison = compare(reports, names=[f"folder-{number}" for number in range(len(reports))])
    drafts = draft_comparison(
        comparison,
        facts=comparison_facts(comparison),
        templates=narrative_templates(),
        seat=SEATS[0],
    )
    names = {"comparison": comparison, "figures": figures, "tables": tables}
    cells = filled("comparison.ipynb", drafts=drafts, names=names)
    about = about_comparison(comparison, reports=reports)
    return for_readers(v4.new_notebook(cells=cells), about=about)

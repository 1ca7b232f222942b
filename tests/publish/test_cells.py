"""Names, slots and the headline of a report's cells."""

from reportlib.publish import merge


def test_the_headline_is_the_first_paragraph_under_the_heading():
    text = "## In short\r\n\r\nIt holds\r\nwell.\r\n\r\nAnd more."
    assert merge.headline(text) == ("It holds well.", "## In short\n\nAnd more.")
    assert merge.headline("## Only a heading") == ("", "## Only a heading")

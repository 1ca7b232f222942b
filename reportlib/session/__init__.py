"""Reading a session folder: from ``session.toml`` to one validated `day.Session`.

toml_text     folder to TOML document, within bounds
rules         what must hold between keys
named_files   the files that it names, and their digests
faults        the wording of what is wrong
reading       all of it, in order
"""

from reportlib.session.reading import read_planned_session, read_session, session_notes

__all__ = ["read_planned_session", "read_session", "session_notes"]

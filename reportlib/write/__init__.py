"""What is said of the results: facts, narrative, captions and data files, as text.

Pure: an `Analysis` in, text out; no file is opened here. A number that prose quotes is a fact
(``facts``, ``quotes``); what figures and captions pick out of an analysis are the ``readings_…``;
``report`` drafts the narrative cells, with ``turned_up``, ``left_playing``, ``why``, ``listener``
and ``how_measured`` for their parts. Wordings are blocks of the files below
``templates/narrative/``.
"""

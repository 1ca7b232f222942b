"""What a reader should know about the data: one note a matter, with code and severity.

Small pure functions from what was measured to notes. ``kinds`` is the table of everything that
can be said; ``trace`` is what is kept of a recording for the checks; ``recordings``, ``setup``,
``levels``, ``chain`` and ``over_the_day`` hold the checks by what they look at; ``day`` runs them
all, in the order of the analysis, and leaves out what cannot be used.
"""

"""A measuring day before there is one, and its recordings taken in afterwards.

``records`` holds the rules of a day and what a plan is; ``levels``, ``stimuli`` and ``day`` make
it, ``cautions`` says what must not be and what to mind, ``page`` puts it into words and ``folder``
on disk. ``heard``, ``intake`` and ``intake_folder`` find a planned day in a heap of recordings.
"""

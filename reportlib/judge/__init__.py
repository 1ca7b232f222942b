"""What the numbers mean: grades, limits, causes, what is heard, what is enough at a seat.

Pure judgements over measured records (``records`` holds what they come to), every threshold of
which stands in ``thresholds``. ``analysis`` takes one session through all of it, in the steps that
the notebook shows: ``measuring`` reads the recordings, with ``inputs`` beside the sweeps and the
``shelf`` of what an earlier run kept.
"""

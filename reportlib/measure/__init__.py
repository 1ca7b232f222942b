"""Numbers out of recordings: levels, responses, changes and how well they are known.

Pure: arrays and records in, frozen records out (``records``); no file is opened here. A sweep
recording passes ``sweep``, ``deconvolution`` (with ``noise``), ``response``, ``uncertainty`` and
``compression`` in turn; column text comes in by ``text``; two clocks are told apart in
``clock_within`` and ``clock_between``. What happens while the stress plays is below ``stress``.
"""

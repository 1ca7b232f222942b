"""Many sessions: side by side, and as an archive that is listed, filtered and made again.

A comparison: ``comparison`` compares (``tracks``, ``equal_output``, ``ranking``, ``comparable``),
``facts``, ``words``, ``verdict``, ``tables`` and ``figures`` say it, ``folder`` is where it lives.
An archive: ``index``, ``rows``, ``columns``, ``stale``, and its page, ``catalogue``; ``refresh``
makes its reports again by worker processes, here or on a ``cluster``, out of ``stores`` too.
"""

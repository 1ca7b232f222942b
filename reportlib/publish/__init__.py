"""The notebook as it is run and merged, and what readers get of it.

``notebook`` runs it (``merge``, ``execution``, ``kernels``) and never loses a reviewer's word
(``read_again``, ``history``, ``memory``). ``publication`` is the one record that ``page``,
``paper`` and ``plain`` are made from; ``prose``, ``svg`` and ``typeset`` let nothing through that a
stranger's notebook could run. ``outputs`` puts all of it in its place; ``report`` is the whole way.
"""

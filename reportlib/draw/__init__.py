"""The report's figures and tables: an `Analysis` in, a picture with its words or a table out.

``figures`` and ``tables`` hold the public functions, one each. Plots compute nothing: what they
show is picked out in the room ``write``. What they say are ``wordings``, which drafts share.
"""

"""The report's figures: an `Analysis` in, a picture with caption and alternative text out.

``figures`` holds the public functions, one a figure. Plots compute nothing: what they show is
picked out in the room ``write``.
"""

"""Sessions that lie in an object store, or in whatever else fsspec knows by its address.

place       a store from outside: what lies there, fetched and put
working     one session fetched, worked on, and put back as far as it changed
shadow      of a whole archive there, what its index is made of

fsspec reads and writes; what is fetched and put back is decided here. Its own ``rsync`` was tried:
it goes by size, so that an edit of the same length is left behind, and it writes over what somebody
saved in the store meanwhile. Its file cache writes straight to the place that another process
reads from.
"""

from reportlib.stores.place import Place, is_address, place_at
from reportlib.stores.shadow import Shadow
from reportlib.stores.working import ChangedMeanwhileError, Copy

__all__ = ["ChangedMeanwhileError", "Copy", "Place", "Shadow", "is_address", "place_at"]

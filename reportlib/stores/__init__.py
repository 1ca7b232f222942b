"""Sessions that lie in an object store, or in whatever else fsspec knows by its address.

place       a store from outside: what lies there, fetched and put
working     one session fetched, worked on, and put back as far as it changed
shadow      of a whole archive there, what its index is made of
"""

from reportlib.stores.place import Place, is_address, place_at
from reportlib.stores.shadow import Shadow
from reportlib.stores.working import ChangedMeanwhileError, Copy

__all__ = ["ChangedMeanwhileError", "Copy", "Place", "Shadow", "is_address", "place_at"]

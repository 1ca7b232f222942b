"""The catalogue of an archive: one page over all its sessions, with small pictures.

ladder      a level ladder a few pixels high
page        the page, out of the archive's rows
writing     both in their place
"""

from reportlib.catalogue.page import catalogue_html
from reportlib.catalogue.writing import write_catalogue

__all__ = ["catalogue_html", "write_catalogue"]

"""Host of evenfall: link, archive, reduce, compare, report."""

"""Everything out: a farm's whole record in files that any program reads, and back again."""

"""One round as a folder of plain files, out and back in."""

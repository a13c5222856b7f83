"""Every text of the pages, one file a subject; a translation is one table of the same keys."""

"""The site's folder: where its parts lie, its settings and the texts that decide, and the one atomic way to read and write them."""

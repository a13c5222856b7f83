"""The handbook: Markdown pages that read well in the repository, and the page that shows them."""

"""Pages of the company: what only all sites together can say."""

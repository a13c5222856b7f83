"""What every page is made of: HTML, tables, charts, numbers, links and the shell; knows no subject."""

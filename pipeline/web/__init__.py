"""The pages served, and what people decide entered where they see it: accounts, forms, answers as JSON, files by the browser.

How a form is added: declare it in :mod:`pipeline.web.decisions`, a `Form` of `Field` values with the roles that may sign it, the kinds
of page it belongs to, and the one function that the command calls, too; it takes the values read and says in sentences what it
does, or would do in a dry run. Its words go under its name into `reports/words/web.py`: FORM (its name), WILL (what it will do), and
FIELD and HINT for fields that are new. Form, look before signing, refusals, signature and result follow from that: one renderer
(:mod:`pipeline.web.pages`), one handler (:mod:`pipeline.web.deciding`).
"""

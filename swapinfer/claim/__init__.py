"""The write-up of a job: reasoning that a stranger can check line by line.

`gather` collects its facts: what the findings lead to (`beliefs`, `standing`, `doubts`, `times`,
`published`), what was done (`work`), and what a shop or a payer asks of it (`template`); `redact`
leaves out of the events what must not be read. Of the facts `compose` makes a document: what must
be known first (`stamp`), what a decision needs (`headings`), what that rests on (`found`, `proof`).
HTML, PDF and Markdown show it, JSON holds the facts. `verify` computes every number anew, and holds
what was printed against that (`printed`).
"""

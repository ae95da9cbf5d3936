"""The write-up of a job: reasoning that a stranger can check line by line.

`gather` collects its `facts`: what the findings lead to (`beliefs`), how firm that is (`doubts`),
what was done (`work`), and what `settings` ask for; `redact` leaves out of the events what must
not be read. `write` makes a `document` of them: what must be known first (`words`), what a
decision needs (`headings`) and what that rests on (`proof`), with `figures` and `pictures`. HTML,
PDF and Markdown show it, JSON holds the facts. `verify` computes every number anew, and holds what
was printed against that.
"""

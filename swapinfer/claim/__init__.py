"""The write-up of a job: reasoning that a stranger can check line by line.

`write` gathers its facts: what the findings lead to (`beliefs`), and what was done (`work`).
From them `compose` says what a decision needs and `proof` what that rests on. HTML, PDF and
Markdown show the document so made, JSON the facts; `verify` computes every number anew.
"""

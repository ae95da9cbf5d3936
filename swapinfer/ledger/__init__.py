"""Append-only events of a job, their store, and their replay.

What an event is (`event`, `events`, `papers`), how it leads to a job (`replay`), and what runs and
readings say by themselves (`runs`, `words`), stand by themselves. So does the store, which keeps
sealed records of whatever events: `record`, then `connection`, `database` and `store`; `exchange`
brings jobs from one to another, and `rescue` saves what is left of a damaged one, page by page.
"""

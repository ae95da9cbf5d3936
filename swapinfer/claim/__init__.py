"""The write-up of a job: reasoning that a stranger can check line by line."""

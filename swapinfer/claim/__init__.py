"""The write-up of a job."""

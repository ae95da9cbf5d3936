"""The table of contents: every command by its verb, where it lives, and what it does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class Entry(NamedTuple):
    """A command in the table: the module of this package that holds it, and what it does."""

    home: str
    summary: str


CONTENTS: Mapping[str, Entry] = {
    "guide": Entry(
        "guide",
        "Walk a job step by step, asking for each outcome; a new one is opened by asking.",
    ),
    "open": Entry("opening", "Open a job and make it the current one."),
    "drive": Entry("drive", "Record a drive, or running at idle, and what was found."),
    "codes": Entry("drive", "Record codes read without a drive: what the vehicle came in with."),
    "scan": Entry(
        "scan",
        "Read codes, freeze frame and misfire counters from the vehicle; nothing is erased.",
    ),
    "erase": Entry(
        "erase",
        "Read and record everything, then erase codes and counters, if a word is typed.",
    ),
    "swap": Entry("handling", "Record that parts changed places between cylinders."),
    "back": Entry("handling", "Record that every part was put back where it belongs."),
    "reseat": Entry(
        "handling",
        "Record that a connector or joint was unplugged and put together again.",
    ),
    "replace": Entry("handling", "Record that something was replaced, or repaired in place."),
    "read": Entry("findings", "Record readings of an instrument."),
    "inspect": Entry("findings", "Record what an inspection showed."),
    "note": Entry("notes", "Record a note; it carries no weight."),
    "undo": Entry("notes", "Retract an event; it stays in the ledger, marked as undone."),
    "close": Entry("opening", "Close a job."),
    "reopen": Entry("opening", "Reopen a closed job: the vehicle came back with its complaint."),
    "jobs": Entry("jobs", "List jobs at a glance."),
    "use": Entry("show", "Make a job the current one."),
    "show": Entry("show", "Show a whole job."),
    "parts": Entry("show", "Show where every part is and the moves that put all back."),
    "belief": Entry(
        "belief", "Show the causes with their probabilities, and combinations of them."
    ),
    "why": Entry("why", "Say what every finding weighs for or against a cause."),
    "next": Entry("next", "Rank what to do next by expected cost to a verified repair."),
    "why-not": Entry("next", "Say why a step is not the next one, term by term."),
    "clean": Entry("ahead", "Say how long a clean drive must be before calling it fixed."),
    "plan": Entry("ahead", "Unfold the plan: what to do, and after each outcome what then."),
    "picture": Entry("belief", "Draw the engine with the suspicion on each cylinder."),
    "history": Entry("history", "Show how belief moved, event by event."),
    "page": Entry("bay", "Serve the shop's jobs to paired phones and tablets at the bay."),
    "settings": Entry("settings", "Show the shop's settings, or change them."),
    "explain": Entry(
        "explain", "Explain a word, a trouble code, a test, a way of failing, or an exit code."
    ),
    "tests": Entry(
        "engine_tests", "List the tests of this engine, the least work first, or show one in full."
    ),
    "attach": Entry("notes", "Attach a picture to a job, without its metadata."),
    "export": Entry("store", "Export a job as one file that anyone can verify."),
    "import": Entry("store", "Take over an exported job."),
    "claim": Entry("claim", "Write a job up, or verify a write-up."),
    "claim verify": Entry(
        "claim", "Check chain and priors of a file and compute every number anew."
    ),
    "store": Entry("", "Check, rescue, back up and move what is stored."),
    "store check": Entry("store", "Verify every chain in the store."),
    "store rescue": Entry("store", "Save what verifies of a damaged store into this one."),
    "store backup": Entry("store", "Copy the store while it is in use."),
    "store seal": Entry(
        "store", "Write down the last digest of every job, to show later what there was."
    ),
    "store restore": Entry(
        "store", "Bring every job of a backup back, into a store that is empty."
    ),
    "store move": Entry("store", "Move a job to another store, its chain intact."),
    "store tables": Entry(
        "store",
        "Export jobs and findings as CSV, without anything personal; "
        "`priors strip` takes out more.",
    ),
    "priors": Entry("", "Show, check, learn and compare priors."),
    "priors show": Entry("priors", "Show numbers with their provenance."),
    "priors check": Entry("overlays", "Check overlay files: each number before and after."),
    "priors weight": Entry(
        "influence", "Say which numbers move decisions most; this takes some minutes."
    ),
    "priors learn": Entry(
        "learning", "Learn an overlay from closed jobs; this loads PyMC and takes minutes."
    ),
    "priors rates": Entry(
        "fleets", "Learn an overlay from failures and the distance driven in all."
    ),
    "priors lives": Entry(
        "fleets", "Learn an overlay of lives from a fleet's exposure; this loads PyMC."
    ),
    "priors compare": Entry(
        "comparing",
        "Say what differs, for which open jobs, and what it would have cost on past ones.",
    ),
    "priors strip": Entry(
        "learning", "Copy history tables with running numbers for jobs and months for days."
    ),
}

EXAMPLES = {"store": "store check", "priors": "priors show element.coil"}
"""Of groups; a command's own example stands at the command."""

"""How the whole shop is saved and put back, for every face."""

from __future__ import annotations

SAVE = (
    "All of the shop is in one folder: the ledger, the images and papers of the cases, your own settings.",
    "To save it, end whatever of Mendbay runs, the server of the bench and long jobs too, then copy the "
    "whole folder with all that is in it: cp -a FOLDER COPY.",
    "Copied while something runs, the ledger may be torn or lack what was done last: what lies beside it as "
    "ledger.sqlite3-wal belongs to it.",
    "To put it back, with nothing of Mendbay running, put the folder as it is now aside and the copy in its "
    "place, whole: never single files of it.",
    "To see that a copy is sound, name it as the folder: mendbay --home COPY case list, then mendbay --home "
    "COPY case custody 1, and so on, holds each log against its hashes.",
    "A copy names customers and holds their data: keep it as you keep the shop. What is erased or forgotten "
    "later stays in it.",
)
"""Sentences, in the order in which it is done."""

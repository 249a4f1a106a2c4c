"""Sentences of jobs that name commands and options of the command line, as they are said to somebody who has
a form.

These read badly where each option alone is called as its field is (`option_words`), or each command as its
page (`commands`): mostly where several in a row are of one page.
"""

from __future__ import annotations

import re

WORDS = (
    (r"run the same command again", "do the same again"),
    (r"Leave --although-no-hand-back out", "Leave that reason out"),
    (r"--end names another end", "say another end of the job"),
    (r"--although-no-hand-back REASON, which custody keeps", "say why it counts; custody keeps that"),
    (r"--back says that it was returned", "tick that it was returned"),
    (r"--although-more REASON puts it down all the same", "with a reason it is noted all the same"),
    (r"Check --day, or leave it out", "Check the day, or leave it open"),
    (r"--although-superseded REASON, which custody keeps", "say why; custody keeps it"),
    (r" \(--own-id\)", ""),
    (r"--also-withdrawn takes them for good again", "tick that they are good again"),
    (r"\(--class images\)", "(tick the images alone)"),
    (r"with --hand-back", "as the hand-back that proves it"),
    (r"; with --leave REASON it ends there and", ", or end it there with a reason, which"),
    (r" \(--alike\)", ""),
    (r"\(--dates day-first, or month-first\)", "(the day first, or the month)"),
    (r"--currency EUR", "name the currency"),
    (r"Give --found FAULT:BAY, or --nothing-broken, or --not-known; one of them",
     "Say what was broken, or that nothing was, or that nobody knows"),
    (r": \S+ case erase-plan\.?$", "."),
    (r"--line\b", "the lines of the form"),
    (r": the ledger .* has no case at all\.", ": no case is kept here yet."),
    (r"Look whether --home or MENDBAY_HOME names the folder of your cases;",
     "If your cases are kept in another folder, start the bench with that;"),
    (r"--done \S+=(\d[\d.]*)", r"for example \1"),
    (r"mendbay pair read, or mendbay drive read for one alone", "mendbay pair read"),
    (r"(mendbay case quotes \d+ lists them), mendbay case accept \d+ NUMBER --by phone accepts one",
     r"\1 and accepts one"),
    (r"(mendbay case release \d+ ITEM --to customer gives it back); "
     r"mendbay case item-move \S+ ITEM destroyed --why REASON says that it is no more",
     r"\1, or says that it is no more"),
    (r"--to customer, lab or courier\b", "--to customer"),
    (r"mendbay case receive, then mendbay handback check FOLDER, then mendbay case release",
     "take it in on mendbay case receive, check it with mendbay handback check FOLDER, "
     "then hand it over again"),
    (r"; if the bill is wrong, mendbay case bill \d+ makes another",
     "; if the bill is wrong, it makes another"),
    (r", and mendbay board correct \d+ \S+ serial-number NUMBER takes it", ", or takes it"),
    (r"mendbay case picture \d+ and (mendbay board show \d+ )list", r"\1lists"),
    (r"(mendbay case call-off \d+ \d+) --reason REASON, if", r"Call it off on \1, if"),
    (r"; rom keep takes dumps made elsewhere", ", or keeps dumps made elsewhere"),
    (r"rom read asks for it, rom keep takes it as --chip-id",
     "a read on the clip asks for it, with dumps made elsewhere it is typed in"),
    (r"goes on with it; rom restore puts its backup back; if its chip is dead, "
     r"rom abandon \d+ \S+ REASON gives",
     "goes on with it or puts its backup back; if its chip is dead, it gives"),
    (r"Take both back: (mendbay rom withdraw \d+ \S+ patient \S+ REASON) and "
     r"mendbay rom withdraw .*? REASON\.",
     r"Take both back on \1."),
    (r"under their right name: mendbay rom keep \d+ \S+ patient FILES, which lie in",
     "under their right name, on that page too: they lie in"),
    (r" FILE without --of prints the newest", " prints the newest"),
    (r"; then mendbay case take-in N --answers FILE", "; then enter the file there at take-in"),
    (r"anew: (mendbay case consent \d+) CONSENT yes, no or ask", r"anew: \1"),
    (r"^(mendbay case consent \d+) \S+ yes, once", r"Put that down on \1, once"),
    (r"(mendbay case consent \d+) \S+ yes, once", r"put that down on \1, once"),
    (r"they agree now: (mendbay case consent \d+) \S+ yes", r"they agree now: \1"),
    (r"Say which: --bay, one of", "Say of which bay: one of"),
    (r"Leave --bay out", "Name no bay"),
    (r"(; or|if it is one:) (--although-\S+ REASON)", r"\1 give \2"),
)  # fmt: skip
"""Patterns, and what stands in their place."""
_WORDS = tuple((re.compile(pattern), words) for pattern, words in WORDS)


def for_a_form(text: str) -> str:
    """A sentence for somebody who has a form before them."""
    for pattern, words in _WORDS:
        text = pattern.sub(words, text)
    return text

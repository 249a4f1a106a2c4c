"""The clip on a chip, as a form of the browser says it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

from mendbay.core.errors import MendbayError
from mendbay.faces.web.fields import Field, flag, line, several

ADAPTER = "ftdi://ftdi:232h/1"
"""What the adapter of most benches is called."""
VOLTS = {"1.8": "1.8 V is set and checked", "3.3": "3.3 V is set and checked"}
CLIP: tuple[Field, ...] = (
    line("programmer", "Adapter", limit=1000),
    line("practice", "File that describes a chip to practise on", limit=1000),
    several("volts", "Supplies that are set and checked", VOLTS),
    flag("marked", "Marking and data sheet say that it is a 3 V part"),
    flag("ready", "The cautions are read, and the clip is on the right chip"),
)
"""What such a form asks."""


FLAGS = (
    ("--supply-checked 1.8 --supply-checked 3.3", "both supplies ticked"),
    ("--supply-checked 1.8", "1.8 V ticked"),
    ("--supply-checked 3.3", "3.3 V ticked"),
    ("--marked-3v", "the 3 V part and"),
    ("--roles-checked", "the tick that each chip was read under its own name"),
    ("--same-chip", "the tick that this is the chip that was cut off"),
    ("--patient-put-away", "the tick that it is the target"),
    ("--in-spite REASON", "a reason"),
    ("--although-refused REASON", "a reason"),
    ("use --customer-asked", "tick that they were asked"),
    ("--fill", "the tick that fills the rest"),
    ("--programmer NAME", ""),
)
"""What a form has for the options that next steps name."""
_SAME_COMMAND = "say so: the same command with"


@contextmanager
def told_for_forms() -> Iterator[None]:
    """While open, troubles name what a form has instead of options of the command line."""
    try:
        yield
    except MendbayError as trouble:
        words = trouble.next_step.replace(_SAME_COMMAND, "send the form again, with")
        for option, said in FLAGS:
            words = words.replace(option, said)
        words = re.sub(r" --programmer simulated:\S+| --programmer \S+", "", words)
        trouble.next_step = re.sub(r"  +", " ", words)
        raise

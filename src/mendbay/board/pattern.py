"""The pattern of a number form: a small, bounded part of regular expressions, as an automaton.

Written are capitals, digits and the signs of `SIGNS` for themselves, `[...]` for one of several,
`\\d` for a digit, `(?<name>...)` for a part that means something, `(?:...)` or `(...)` for a group, `|`
between alternatives, and behind any of them `?`, `{n}` or `{m,n}`. Nothing is unbounded, so no text can
take long, and every character of a number belongs to one place with its own set of characters.

The automaton has one state for each place (Glushkov, "The abstract theory of automata", 1961): no
transition is without a character, which is what a model of misread characters needs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce

DIGITS = frozenset("0123456789")
LETTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
SIGNS = frozenset("-./ _#+:()&*=,")
TRUE_CHARACTERS = DIGITS | LETTERS | SIGNS
"""What a number can be made of."""

_LONGEST_PATTERN = 300
_MOST_PLACES = 96
_MOST_REPEATS = 32
_DEEPEST_GROUP = 5
_MUST_BE_ESCAPED = frozenset(".()*+|?[]{}\\")


class PatternError(ValueError):
    """A pattern that does not follow the rules; the message says where and what to write instead."""


@dataclass(frozen=True, slots=True)
class Match:
    """A text taken apart: the text of each named part that occurs in it, in the pattern's order."""

    parts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern as an automaton of places.

    Args:
        text: as written.
        places: the characters possible at each place.
        part_of: the named part each place belongs to, or empty.
        follow: the places that can come after each place; the last entry holds the possible first ones.
        ends: the places that can be last.
        shortest, longest: bounds of the length of a number.
    """

    text: str
    places: tuple[frozenset[str], ...]
    part_of: tuple[str, ...]
    follow: tuple[tuple[int, ...], ...]
    ends: frozenset[int]
    shortest: int
    longest: int

    @property
    def start(self) -> int:
        """The state before the first place."""
        return len(self.places)

    @property
    def part_names(self) -> tuple[str, ...]:
        """The named parts in the order of their places."""
        return tuple(dict.fromkeys(name for name in self.part_of if name))

    def match(self, text: str) -> Match | None:
        """The text taken apart, or None if it does not fit exactly. Among several ways the first one written
        in the pattern is taken."""
        if not self.shortest <= len(text) <= self.longest:
            return None
        came_from: list[dict[int, int]] = []
        live: tuple[int, ...] = (self.start,)
        for sign in text:
            step: dict[int, int] = {}
            for state in live:
                for place in self.follow[state]:
                    if sign in self.places[place]:
                        step.setdefault(place, state)
            if not step:
                return None
            came_from.append(step)
            live = tuple(step)
        last = next((place for place in live if place in self.ends), None)
        if last is None:
            return None
        path = [last]
        for step in reversed(came_from[1:]):
            path.append(step[path[-1]])
        return Match(self.parts_along(reversed(path), text))

    def parts_along(self, path: Iterator[int], text: str) -> tuple[tuple[str, str], ...]:
        """The named parts of a text whose characters stand at the places of `path`."""
        found: dict[str, str] = {}
        for place, sign in zip(path, text, strict=True):
            name = self.part_of[place]
            if name:
                found[name] = found.get(name, "") + sign
        return tuple(found.items())


@dataclass(frozen=True, slots=True)
class _One:
    """One place."""

    characters: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Sequence:
    nodes: tuple[_Node, ...]


@dataclass(frozen=True, slots=True)
class _Choice:
    nodes: tuple[_Node, ...]


@dataclass(frozen=True, slots=True)
class _Repeat:
    node: _Node
    least: int
    most: int


@dataclass(frozen=True, slots=True)
class _Part:
    name: str
    node: _Node


_Node = _One | _Sequence | _Choice | _Repeat | _Part


def compile_pattern(text: str) -> Pattern:
    """The automaton of a pattern.

    Raises:
        PatternError: it uses what is not known here, is longer than 300 characters, nests groups deeper than
            5, comes to more than 96 places, or fits the empty text.
    """
    if not text or len(text) > _LONGEST_PATTERN:
        raise PatternError(f"it has {len(text)} characters; 1 to {_LONGEST_PATTERN} are possible")
    parser = _Parser(text)
    tree = parser.whole()
    places = _size(tree)
    if places > _MOST_PLACES:
        raise PatternError(f"it comes to {places} places; write it with at most {_MOST_PLACES}")
    builder = _Builder()
    built = builder.build(tree, "")
    if built.nullable:
        raise PatternError("it fits the empty text; make at least one place certain")
    shortest, longest = _lengths(tree)
    follow = (*(tuple(dict.fromkeys(one)) for one in builder.follow), built.first)
    return Pattern(
        text, tuple(builder.places), tuple(builder.part_of), follow, frozenset(built.last), shortest, longest
    )


class _Parser:
    """Reads a pattern from left to right; the depth of groups is bounded, so its recursion is."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.names: set[str] = set()

    def whole(self) -> _Node:
        tree = self._choice(0, inside_part=False)
        if self.at < len(self.text):
            raise self._wrong("a `)` without its `(`")
        return tree

    def _wrong(self, what: str) -> PatternError:
        return PatternError(f"{what} at character {self.at + 1}")

    def _ahead(self, what: str) -> bool:
        return self.text.startswith(what, self.at)

    def _choice(self, depth: int, inside_part: bool) -> _Node:
        if depth > _DEEPEST_GROUP:
            raise self._wrong(f"groups are nested deeper than {_DEEPEST_GROUP}")
        branches = [self._sequence(depth, inside_part)]
        while self._ahead("|"):
            self.at += 1
            branches.append(self._sequence(depth, inside_part))
        return branches[0] if len(branches) == 1 else _Choice(tuple(branches))

    def _sequence(self, depth: int, inside_part: bool) -> _Node:
        nodes: list[_Node] = []
        while self.at < len(self.text) and self.text[self.at] not in "|)":
            node = self._atom(depth, inside_part)
            nodes.append(self._repeated(node))
        if not nodes:
            raise self._wrong("an empty alternative (use `?` for what may be absent)")
        return nodes[0] if len(nodes) == 1 else _Sequence(tuple(nodes))

    def _atom(self, depth: int, inside_part: bool) -> _Node:
        sign = self.text[self.at]
        if sign == "(":
            return self._group(depth, inside_part)
        if sign == "[":
            return _One(self._set())
        if sign == "\\":
            return _One(self._escaped())
        if sign in _MUST_BE_ESCAPED:
            hint = "give a bound such as `{1,8}`" if sign in "*+" else f"write `\\{sign}` for the sign itself"
            raise self._wrong(f"`{sign}` is not possible here ({hint})")
        self.at += 1
        return _One(frozenset(self._known(sign)))

    def _known(self, sign: str) -> str:
        if sign not in TRUE_CHARACTERS:
            hint = "write capitals" if sign.upper() in LETTERS else "numbers do not hold it"
            raise self._wrong(f"`{sign}` is not known ({hint})")
        return sign

    def _escaped(self) -> frozenset[str]:
        sign = self.text[self.at + 1 : self.at + 2]
        self.at += 2
        if sign == "d":
            return DIGITS
        if sign and sign in SIGNS:
            return frozenset(sign)
        raise self._wrong(f"`\\{sign}` is not known (only `\\d` and a backslash before a sign)")

    def _set(self) -> frozenset[str]:
        end = self.text.find("]", self.at)
        inner = self.text[self.at + 1 : end]
        if end < 0 or not inner or inner[0] == "^":
            raise self._wrong("a set must list its characters and end with `]`")
        found: set[str] = set()
        place = 0
        while place < len(inner):
            first = self._known(inner[place])
            if inner[place + 1 : place + 2] == "-" and place + 2 < len(inner):
                last = self._known(inner[place + 2])
                if not ((first.isdigit() and last.isdigit()) or (first.isalpha() and last.isalpha())):
                    raise self._wrong(f"`{first}-{last}` is no range (put `-` last to mean the dash)")
                found.update(chr(code) for code in range(ord(first), ord(last) + 1))
                place += 3
            else:
                found.add(first)
                place += 1
        if not found:
            raise self._wrong("a set is empty")
        self.at = end + 1
        return frozenset(found)

    def _group(self, depth: int, inside_part: bool) -> _Node:
        name = ""
        if self._ahead("(?:"):
            self.at += 3
        elif self._ahead("(?<") or self._ahead("(?P<"):
            end = self.text.find(">", self.at)
            name = self.text[self.text.index("<", self.at) + 1 : max(end, 0)]
            if inside_part:
                raise self._wrong("a part inside a part")
            if not (name.isascii() and name.isidentifier() and len(name) <= 30) or name in self.names:
                raise self._wrong(f"`{name}` is no name of a part, or used twice")
            self.names.add(name)
            self.at = end + 1
        elif self._ahead("(?"):
            raise self._wrong("`(?` must go on as `(?:` or `(?<name>`")
        else:
            self.at += 1
        node = self._choice(depth + 1, inside_part or bool(name))
        if not self._ahead(")"):
            raise self._wrong("a `)` is missing")
        self.at += 1
        return _Part(name, node) if name else node

    def _repeated(self, node: _Node) -> _Node:
        if self._ahead("?"):
            self.at += 1
            least, most = 0, 1
        elif self._ahead("{"):
            least, most = self._bounds()
        else:
            return node
        if isinstance(node, _Part) and most > 1:
            raise self._wrong("a part cannot be repeated (repeat what is inside it)")
        if self.at < len(self.text) and self.text[self.at] in "?{*+":
            raise self._wrong("one repetition behind another")
        return _Repeat(node, least, most)

    def _bounds(self) -> tuple[int, int]:
        end = self.text.find("}", self.at)
        low, comma, high = self.text[self.at + 1 : max(end, 0)].partition(",")
        high = high if comma else low
        if not (low.isascii() and low.isdigit() and high.isascii() and high.isdigit()) or len(low + high) > 6:
            raise self._wrong("a repetition is `{n}` or `{m,n}`")
        least, most = int(low), int(high)
        if not least <= most or not 1 <= most <= _MOST_REPEATS:
            raise self._wrong(f"a repetition of {least} to {most} (at most {_MOST_REPEATS}, smaller first)")
        self.at = end + 1
        return least, most


def _size(node: _Node) -> int:
    """Places the node comes to, counted before anything is built."""
    if isinstance(node, _One):
        return 1
    if isinstance(node, _Repeat):
        return node.most * _size(node.node)
    if isinstance(node, _Part):
        return _size(node.node)
    return sum(_size(one) for one in node.nodes)


def _lengths(node: _Node) -> tuple[int, int]:
    """The shortest and the longest text the node fits."""
    if isinstance(node, _One):
        return 1, 1
    if isinstance(node, _Part):
        return _lengths(node.node)
    if isinstance(node, _Repeat):
        low, high = _lengths(node.node)
        return low * node.least, high * node.most
    inner = [_lengths(one) for one in node.nodes]
    if isinstance(node, _Choice):
        return min(low for low, _ in inner), max(high for _, high in inner)
    return sum(low for low, _ in inner), sum(high for _, high in inner)


@dataclass(frozen=True, slots=True)
class _Built:
    """What the places of a node look like from outside."""

    nullable: bool
    first: tuple[int, ...]
    last: tuple[int, ...]


class _Builder:
    """Gives each place its number and notes which can follow which."""

    def __init__(self) -> None:
        self.places: list[frozenset[str]] = []
        self.part_of: list[str] = []
        self.follow: list[list[int]] = []

    def build(self, node: _Node, part: str) -> _Built:
        if isinstance(node, _One):
            self.places.append(node.characters)
            self.part_of.append(part)
            self.follow.append([])
            at = (len(self.places) - 1,)
            return _Built(False, at, at)
        if isinstance(node, _Part):
            return self.build(node.node, node.name)
        if isinstance(node, _Choice):
            built = [self.build(one, part) for one in node.nodes]
            return _Built(
                any(one.nullable for one in built),
                tuple(place for one in built for place in one.first),
                tuple(place for one in built for place in one.last),
            )
        if isinstance(node, _Repeat):
            copies = [self.build(node.node, part) for _ in range(node.most)]
            copies[node.least :] = [_Built(True, one.first, one.last) for one in copies[node.least :]]
            return reduce(self._joined, copies)
        return reduce(self._joined, [self.build(one, part) for one in node.nodes])

    def _joined(self, one: _Built, two: _Built) -> _Built:
        for place in one.last:
            self.follow[place].extend(two.first)
        return _Built(
            one.nullable and two.nullable,
            one.first + two.first if one.nullable else one.first,
            two.last + one.last if two.nullable else two.last,
        )

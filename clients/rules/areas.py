"""The areas of the body as a tree: which areas share skin, and which lie in one region.

The tree itself is data (a rule set's `areas`); nothing here names an area.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaTree:
    """Every area with those that share skin with it, and those of the same region.

    `within[a]` is a and what a contains. `touching[a]` is a, what contains a and what a contains: a finding on the chin touches a line
    on the full face, and a finding on the full face touches a line on the chin. `nearby[a]` is
    all that touches the region of a (the part just below the root, e.g. the face): a peel of the
    forehead is near a line on the lip.
    """

    within: Mapping[str, frozenset[str]]
    touching: Mapping[str, frozenset[str]]
    nearby: Mapping[str, frozenset[str]]

    def __contains__(self, area: object) -> bool:
        return area in self.touching

    def all_touching(self, areas: Iterable[str]) -> frozenset[str]:
        """Every area that shares skin with at least one of `areas`."""
        return frozenset[str]().union(*(self.touching[area] for area in areas))

    def all_within(self, areas: Iterable[str]) -> frozenset[str]:
        """`areas` and every area in one of them."""
        return frozenset[str]().union(*(self.within[area] for area in areas))


def area_tree(children: Mapping[str, Sequence[str]]) -> AreaTree:
    """The tree of `children` (area -> the areas in it), which must be without faults."""
    parent = {child: area for area, inside in children.items() for child in inside}
    above = {area: _line_to_root(area, parent) for area in {*children, *parent}}
    within = {area: frozenset(o for o in above if area in above[o]) for area in above}
    touching = {area: within[area] | set(above[area]) for area in above}
    # The last of a line is the root and the one before it the region; the root is its own region.
    region = {area: line[-2] if len(line) > 1 else area for area, line in above.items()}
    nearby = {area: touching[region[area]] for area in above}
    return AreaTree(within=within, touching=touching, nearby=nearby)


def _line_to_root(area: str, parent: Mapping[str, str]) -> tuple[str, ...]:
    line = [area]
    while line[-1] in parent:
        line.append(parent[line[-1]])
    return tuple(line)


def areas_with_two_parents(children: Mapping[str, Sequence[str]]) -> list[str]:
    """The areas that are listed inside more than one other, or twice inside one."""
    listed = [child for inside in children.values() for child in inside]
    return sorted({child for child in listed if listed.count(child) > 1})


def roots(children: Mapping[str, Sequence[str]]) -> list[str]:
    """The areas that lie in no other; a tree has exactly one."""
    inside = {child for listed in children.values() for child in listed}
    return sorted(set(children) - inside)


def cycle_in(successors: Mapping[str, Iterable[str]]) -> list[str]:
    """One cycle of a directed graph as the names along it, or an empty list."""
    try:
        TopologicalSorter(successors).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []

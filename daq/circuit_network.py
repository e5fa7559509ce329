"""Networks of conductances, solved for many circuits at once by star-mesh elimination.

Taking a node out of a network replaces the star of its branches g_1 .. g_n by a mesh between its neighbours,
g_ij = g_i g_j / sum(g) (Rosen 1924; for three branches the star-delta rule of Kennelly 1899). It is Gaussian
elimination written so that conductances are only ever added and multiplied, never subtracted: 1000 S beside
1e-13 S loses nothing, and a pin that floats needs no special case.

Every value is an array over circuits (or broadcasts to one), so one pass solves all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import EllipsisType
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.circuit_branches import BESIDE_S, branch_currents
from daq.circuit_parts import Element, joined, taken

Array = npt.NDArray[np.float64]
Node = str
Volts = Mapping[str, Array]
T = TypeVar("T", bound=np.generic)

Places = tuple[npt.NDArray[np.intp], ...]
MOST = 0.7  # of the circuits: where so many are alike, picking them out costs more than working on all
FEW = 2500  # circuits: of so few, all are given branches of all kinds, silent ones too; steps cost more there
NO_VOLTS = np.zeros(1)  # of nodes that nothing holds away from zero: not multiplied with


@dataclass(frozen=True, slots=True)
class _Star:
    """A node that was taken out: what it needs to be found again from its neighbours."""

    node: Node
    branches: list[tuple[Node, Array]]
    ohm: Array  # of all branches side by side


class Network:
    """Conductances, S, between named nodes; arrays over circuits that broadcast with each other."""

    def __init__(self) -> None:
        self._mesh: dict[Node, dict[Node, Array]] = {}

    def add(self, a: Node, b: Node, siemens: Array | float) -> None:
        """A conductance between `a` and `b`, beside what is there already."""
        mesh, value = self._mesh, siemens if isinstance(siemens, np.ndarray) else np.asarray(siemens)
        one, other = mesh.setdefault(a, {}), mesh.setdefault(b, {})
        if b in one:
            value = one[b] + value
        one[b] = other[a] = value

    def _add_own(self, a: Node, b: Node, siemens: Array) -> None:
        """The same with an array that nobody else holds: what is there is added to it, not copied."""
        there = self._mesh[a].get(b)
        if there is not None:
            if there.shape == siemens.shape:
                siemens += there
            else:
                siemens = siemens + there
        self._mesh[a][b] = self._mesh[b][a] = siemens

    def nodes(self) -> list[Node]:
        return list(self._mesh)

    def copy(self) -> Network:
        new = Network()
        new._mesh = {node: dict(branches) for node, branches in self._mesh.items()}
        return new

    def picked(self, places: Places) -> Network:
        """The same network for the circuits at `places`, as one flat axis."""
        new = Network()
        for a, branches in self._mesh.items():
            for b, value in branches.items():
                if a < b:
                    new.add(a, b, _alike_or_at(value, places))
        return new

    def take_out_all(self, nodes: set[Node], fixed: frozenset[Node]) -> list[_Star]:
        """Eliminate `nodes`, those with the fewest branches first; ties by name, so that order is fixed."""
        left, stars = set(nodes), []
        while left:
            node = min(left, key=lambda name: (len(self._mesh[name]), name))
            left.remove(node)
            stars.append(self.take_out(node, fixed))
        return stars

    def take_out(self, node: Node, fixed: frozenset[Node]) -> _Star:
        """Eliminate `node`; branches between two `fixed` nodes say nothing and are not kept."""
        branches = sorted(self._mesh.pop(node).items(), key=lambda branch: branch[0] in fixed)
        for other, _ in branches:
            del self._mesh[other][node]
        ohm = 1.0 / _sum(g for _, g in branches)
        for n, (a, ga) in enumerate(branches[:-1]):
            if a in fixed:
                break  # and so are all after it
            share = ga * ohm
            for b, gb in branches[n + 1 :]:
                self._add_own(a, b, share * gb)
        return _Star(node, branches, ohm)


def solve(
    network: Network,
    known: Mapping[Node, Array | float],
    wanted: Iterable[Node],
    elements: Iterable[Element],
    shape: tuple[int, ...],
    injected: Mapping[Node, Array] | None = None,
) -> dict[Node, Array]:
    """Voltages of the wanted nodes.

    Args:
        network: its conductances; it is not changed. Every node must reach a known one.
        known: nodes held at a voltage, V.
        wanted: nodes to be told.
        elements: non-linear branches; where one's `active` is False it carries no current.
        shape: of the answer; conductances and voltages broadcast to it.
        injected: currents into nodes, A.

    Returns:
        {node: V, array of `shape`}. Non-linear circuits are iterated until no branch voltage moves by more
        than 1 mV, after which less than 20 µV are missing: Newton's steps shrink with their square.
    """
    elements = [e for e in elements if np.any(e.active)]
    volts: Volts = {n: np.asarray(v, dtype=np.float64) if np.any(v) else NO_VOLTS for n, v in known.items()}
    currents, wanted = injected or {}, list(wanted)
    elements = _alike_if_few(elements, shape)
    pattern, code = _commonest(elements, shape)
    most = pattern == code
    rest = np.nonzero(~most)
    if len(rest[0]) > (1 - MOST) * most.size:
        return _solved(network, volts, wanted, elements, shape, currents)
    alike = [_everywhere(e) for n, e in enumerate(elements) if code >> n & 1]
    found = _solved(network, volts, wanted, alike, shape, currents)
    if len(rest[0]):
        volts, currents = ({n: _alike_or_at(v, rest) for n, v in each.items()} for each in (volts, currents))
        others = _alike_if_few([_picked(e, rest) for e in elements], rest[0].shape)
        seen = _solved(network.picked(rest), volts, wanted, others, rest[0].shape, currents)
        for node in wanted:
            found[node][rest] = seen[node]
    return found


def _solved(
    network: Network,
    volts: Volts,
    wanted: list[Node],
    elements: list[Element],
    shape: tuple[int, ...],
    injected: Mapping[Node, Array],
) -> dict[Node, Array]:
    """`solve` for circuits of which many have the same branches, or none in particular.

    Ends of branches stay until the last, and what stays long is joined to much: so few branches cost less.
    """
    fixed = frozenset(volts)
    ports = {node for e in elements for node in (e.plus, e.minus)} - fixed
    reduced = network.copy()
    stars = reduced.take_out_all(set(network.nodes()) - fixed - ports, fixed)
    currents = _passed_on(stars, injected, fixed)
    if elements:
        volts = {**volts, **_ports(reduced, volts, currents, elements, ports, shape)}
    found = _back(_needed(stars, wanted), volts, currents)
    return {node: np.array(np.broadcast_to(found[node], shape)) for node in wanted}


@dataclass(frozen=True, slots=True)
class _ManyPort:
    """What the linear rest is to some branches (Thévenin).

    Branch voltages are those with no branch current, less what each branch's current makes. Newton's method
    then works on the branches alone.
    """

    idle: Volts  # with no current in the branches
    pushed: list[dict[Node, Array]]  # volts made by 1 A in each branch

    def open_v(self, element: Element) -> Array:
        return self.idle[element.plus] - self.idle[element.minus]

    def ohm(self, element: Element, push: int) -> Array:
        made = self.pushed[push]
        return made[element.minus] - made[element.plus]

    def volts(self, node: Node, amperes: Iterable[Array]) -> Array:
        found = self.idle[node]
        for i, push in zip(amperes, self.pushed, strict=True):
            found = found + i * push[node]
        return found


@dataclass(frozen=True, slots=True)
class _Alike:
    """Circuits that all have the same non-linear branches.

    Attributes:
        where: which they are, an index.
        elements: the branches, by the names of their ends.
        branches: the same, values over the circuits in one flat axis.
        rest: what the circuits are but for the branches; arrays of, or broadcasting to, `shape`.
    """

    where: Places | EllipsisType
    elements: list[Element]
    branches: list[Element]
    rest: _ManyPort
    shape: tuple[int, ...]

    @property
    def count(self) -> int:
        return math.prod(self.shape)

    def open_v(self) -> Array:
        return np.stack([self._flat(self.rest.open_v(e)) for e in self.elements])

    def ohm(self) -> Array:
        count = range(len(self.elements))
        return np.array([[self._flat(self.rest.ohm(e, n)) for n in count] for e in self.elements])

    def _flat(self, values: Array) -> Array:
        return np.broadcast_to(values, self.shape).reshape(-1)

    def put(self, found: dict[Node, Array], amperes: Array) -> None:
        """Voltages of the nodes in `found`, put where these circuits are."""
        each = amperes.reshape(-1, *self.shape)
        for node, volts in found.items():
            volts[self.where] = self.rest.volts(node, each)


def _ports(
    network: Network,
    known: Volts,
    injected: Mapping[Node, Array],
    elements: list[Element],
    ports: set[Node],
    shape: tuple[int, ...],
) -> dict[Node, Array]:
    """Voltages at the ends of the branches; circuits with the same kinds of them are iterated together."""
    found = {node: np.empty(shape) for node in ports}
    kinds: dict[tuple[object, ...], list[_Alike]] = {}
    for alike in _patterns(network, known, injected, elements, shape):
        kinds.setdefault(tuple(e.kind for e in alike.elements), []).append(alike)
    for some in kinds.values():
        amperes = _branch_currents(some)
        ends = np.cumsum([a.count for a in some])[:-1]
        for alike, mine in zip(some, np.split(amperes, ends, axis=1), strict=True):
            alike.put(found, mine)
    return found


def _branch_currents(some: list[_Alike]) -> Array:
    """Amperes, (branches, circuits), of circuits one after another."""
    if not some[0].elements:
        return np.zeros((0, sum(a.count for a in some)))
    branches = [joined(each) for each in zip(*(a.branches for a in some), strict=True)]
    open_v = np.concatenate([a.open_v() for a in some], axis=-1)
    ohm = np.concatenate([a.ohm() for a in some], axis=-1)
    return branch_currents(branches, open_v, ohm)


def _patterns(
    network: Network,
    known: Volts,
    injected: Mapping[Node, Array],
    elements: list[Element],
    shape: tuple[int, ...],
) -> Iterable[_Alike]:
    """Which branches are there together, and in which circuits."""
    pattern, _ = _commonest(elements, shape)
    counts = np.bincount(pattern.ravel())
    for code in np.flatnonzero(counts):
        active = [e for n, e in enumerate(elements) if code >> n & 1]
        if counts[code] == pattern.size:
            rest = _many_port(network, known, injected, active)
            branches = [taken(e, lambda v: np.broadcast_to(v, shape).reshape(-1)) for e in active]
            yield _Alike(..., active, branches, rest, shape)
            return
        places = np.nonzero(pattern == code)
        volts, currents = (
            {n: _alike_or_at(v, places) for n, v in each.items()} for each in (known, injected)
        )
        rest = _many_port(network.picked(places), volts, currents, active)
        branches = [taken(e, lambda v: _at(v, places)) for e in active]  # noqa: B023
        yield _Alike(places, active, branches, rest, places[0].shape)


def _commonest(elements: list[Element], shape: tuple[int, ...]) -> tuple[npt.NDArray[np.intp], int]:
    """Which branches each circuit has, as the bits of a number, and the most common of these numbers."""
    pattern = np.zeros(shape, dtype=np.intp)
    for n, element in enumerate(elements):
        pattern += element.active.astype(np.intp) << n
    return pattern, int(np.bincount(pattern.ravel()).argmax())


def _many_port(
    network: Network, known: Volts, injected: Mapping[Node, Array], elements: Sequence[Element]
) -> _ManyPort:
    """The network, which is used up, as its branches see it."""
    fixed = frozenset(known)
    for element in elements:
        network.add(element.plus, element.minus, BESIDE_S)
    stars = network.take_out_all(set(network.nodes()) - fixed, fixed)
    idle = _back(stars, known, _passed_on(stars, injected, fixed))
    dead, one = dict.fromkeys(known, NO_VOLTS), np.ones(1)
    pushed = [_back(stars, dead, _passed_on(stars, {e.minus: one, e.plus: -one}, fixed)) for e in elements]
    return _ManyPort(idle, pushed)


def _passed_on(
    stars: list[_Star], injected: Mapping[Node, Array], fixed: frozenset[Node]
) -> dict[Node, Array]:
    """Currents into nodes, passed on to their neighbours as the nodes are taken out."""
    currents = dict(injected)
    for star in stars if currents else ():
        if star.node in currents:
            for other, g in star.branches:
                if other not in fixed:
                    passed = currents[star.node] * (g * star.ohm)
                    currents[other] = currents[other] + passed if other in currents else passed
    return currents


def _needed(stars: list[_Star], wanted: Iterable[Node]) -> list[_Star]:
    """Those without which the wanted nodes are not found."""
    nodes, found = set(wanted), []
    for star in stars:
        if star.node in nodes:
            nodes.update(node for node, _ in star.branches)
            found.append(star)
    return found


def _back(stars: list[_Star], known: Volts, currents: Mapping[Node, Array]) -> dict[Node, Array]:
    """Voltages of all nodes, last taken out first; `currents` have been passed on."""
    volts = dict(known)
    nothing = {node for node, v in known.items() if v is NO_VOLTS}
    for star in reversed(stars):
        pulls = [g * volts[other] for other, g in star.branches if other not in nothing]
        if star.node in currents:
            pulls.append(currents[star.node])
        if pulls:
            volts[star.node] = _sum(pulls) * star.ohm
        else:
            nothing.add(star.node)
            volts[star.node] = NO_VOLTS
    return volts


def _at(values: npt.NDArray[T], places: Places) -> npt.NDArray[T]:
    """The values at `places` of the shape to which they broadcast, as one flat axis."""
    lead = len(places) - values.ndim
    index = tuple(0 if size == 1 else at for size, at in zip(values.shape, places[lead:], strict=True))
    picked = values[index]
    return picked if picked.ndim else np.full(places[0].shape, picked)


def _alike_or_at(values: Array, places: Places) -> Array:
    """The same, or one value where all are alike; NO_VOLTS stays itself."""
    if values.size > 1:
        return _at(values, places)
    return values if values.ndim == 1 else values.reshape(1)


def _alike_if_few(elements: list[Element], shape: tuple[int, ...]) -> list[Element]:
    """Branches of different kinds as they are, or everywhere."""
    if math.prod(shape) > FEW or len({e.kind for e in elements}) == 1:
        return elements
    return [e.everywhere() or e for e in elements]


def _picked(element: Element, places: Places) -> Element:
    """The branch of the circuits at `places`, where it is as active as it was."""
    here = taken(element, lambda values: _at(values, places))
    return replace(here, active=_at(element.active, places))


def _everywhere(element: Element) -> Element:
    return replace(element, active=np.ones((), dtype=np.bool_))


def _sum(values: Iterable[Array]) -> Array:
    each = iter(values)
    total = next(each, None)
    if total is None:
        raise ValueError("a node without branches has no voltage")
    mine = False
    for value in each:
        if mine and value.shape == total.shape:
            total += value  # where it is: a new array for every sum costs as much as the sum
        else:
            total, mine = total + value, True
    return total

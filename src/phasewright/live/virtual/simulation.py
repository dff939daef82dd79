"""Runs the simulated bench through a plan: loss and temperature together, second by second.

The electrical grid is 20 ms, the thermal step 1 s. In each second the temperatures stand still while the load moves;
its mean heat then drives the network exactly over that second, at temperatures extrapolated to the second's middle.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from phasewright.live.virtual import electrical, thermal, workload
from phasewright.live.virtual.parts import Parts

STAGE_SHUTDOWN = 180.0
"""The simulated stages switch themselves off here, whatever the regulator's settings [degC]."""
FAN_STEP = 0.02
"""Step in which the fan's duty moves."""
STANDBY = 0.6
"""Power that the dark board takes from the metered input [W]."""
_EVENLY = np.full(workload.BLOCK, 1.0 / workload.BLOCK)
"""Times this, a second's samples give their mean."""


@dataclass(frozen=True, slots=True)
class Guards:
    """Protections of regulator and processor as set for a while; None = none."""

    phase_current: float | None = None
    """[A]"""
    total_current: float | None = None
    clamps: bool = False
    """True: over-current holds the current back; false: it shuts down."""
    temperature_warning: float | None = None
    """[degC]"""
    temperature_trip: float | None = None
    power_limit: float | None = None
    """[W]"""
    processor_temperature: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """One stretch of the run with one setting."""

    name: str
    """Step name; '' between steps."""
    kind: str
    """step | idle | marker | off"""
    phase_count: int
    activity: np.ndarray
    """Dynamic power of the core at the set voltage [W], (seconds*BLOCK,)."""
    guards: Guards
    fan_duty: float | None = None
    """Fixed duty; None = from the fan map."""
    set_voltage: float | None = None
    late: float = 0.0
    """The load begins so long after the stretch [s]."""
    early: float = 0.0
    """The load ends so long before the stretch [s]."""

    @property
    def seconds(self) -> int:
        """Length [s]."""
        return len(self.activity) // workload.BLOCK


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Room and fan map."""

    room: float = 23.0
    """[degC]"""
    room_swing: float = 0.3
    """Slow swing of the room [K]."""
    room_period: float = 4000.0
    """[s]"""
    fan_map: tuple[tuple[float, float], ...] = ((30.0, 0.3), (45.0, 1.0))
    liquid: bool = True
    room_angle: float = 1.0
    """Where in its swing the room begins [rad]."""

    def room_at(self, time):
        """Return the room temperature [degC] at lab `time` [s]."""
        return self.room + self.room_swing * np.sin(2.0 * np.pi * time / self.room_period + self.room_angle)

    def duty_at(self, coolant: float) -> float:
        """Return the fan duty that the map gives."""
        if len(self.fan_map) == 0:
            return 1.0
        x, y = zip(*self.fan_map, strict=True)
        return float(np.interp(coolant, x, y))


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """Something that a protection did."""

    time: float
    """Lab time [s]."""
    kind: str
    """over_current_trip | total_current_trip | temperature_trip"""


@dataclass(slots=True, eq=False)
class Piece:
    """Where a stretch ended up on lab time: [start, end) [s]."""

    stretch: Stretch
    start: int
    end: int
    trip: Event | None = None
    held_back: dict[str, float] = field(default_factory=dict)
    """Seconds for which each protection acted."""


@dataclass(slots=True, eq=False)
class Run:
    """Everything that happened, on lab time from 0. `n` seconds, n*BLOCK electrical samples."""

    parts: Parts
    network: thermal.Network
    surroundings: Surroundings
    pieces: list[Piece]
    current: np.ndarray
    """Rail current (n*BLOCK,) [A], mean over each grid step."""
    voltage: np.ndarray
    """Rail voltage (n*BLOCK,) [V]."""
    total: np.ndarray
    """(n, 3): loss polynomial of the regulator, the controller in it."""
    pieces_loss: np.ndarray
    """(n, pieces, 3)"""
    constant: np.ndarray
    """(n, 3): controller loss [W], common output copper and input path resistance [Ohm]."""
    other: np.ndarray
    """(n*BLOCK,): other loads on the metered input [W]."""
    auxiliary: np.ndarray
    """(n*BLOCK,): package power of the other rails [W]."""
    temperatures: np.ndarray
    """(n + 1, nodes) at whole seconds [degC]."""
    fan: np.ndarray
    """(n,)"""
    phases: np.ndarray
    """(n,)"""
    protected: np.ndarray
    """(n,): 1 while a protection held back."""
    peak: np.ndarray
    """(n,): greatest phase current with ripple [A]."""
    alive: np.ndarray
    """(n,): 1 while the machine runs."""
    heat: np.ndarray
    """(n, nodes): heat into each node [W]."""


class Keeper:
    """Fan controller, throttle and protection state that carries over from second to second."""

    def __init__(self, start_duty: float):
        self.duty = start_duty
        self.throttle = 1.0
        self.power = 0.0


def simulate(parts: Parts, surroundings: Surroundings, plan, *, start_temperature: np.ndarray | None = None) -> Run:
    """Run the stretches that `plan` yields.

    `plan` is a generator of `Stretch`; it is sent the finished `Piece` of each, so that it can react to a trip.
    """
    network = thermal.build_network(parts, surroundings.liquid)
    store = _Store()
    keeper = Keeper(surroundings.duty_at(surroundings.room))
    temperature = np.full(len(network.capacity), surroundings.room) if start_temperature is None else start_temperature
    clock, pieces, piece = 0, [], None
    state = State(temperature=temperature, before=temperature, voltage=parts.set_voltage, supply=parts.supply_voltage)
    while True:
        try:
            stretch = next(plan) if piece is None else plan.send(piece)
        except StopIteration:
            break
        piece = Piece(stretch, clock, clock)
        _run_stretch(parts, surroundings, network, stretch, piece, keeper, state, store)
        clock = piece.end
        pieces.append(piece)
    return store.run(parts, network, surroundings, pieces, state.temperature)


@dataclass(slots=True, eq=False)
class State:
    """What one second hands to the next."""

    temperature: np.ndarray
    """(nodes,) [degC]"""
    before: np.ndarray
    """A second earlier."""
    voltage: float
    """Mean rail voltage [V]."""
    supply: float
    """Voltage at the regulator's input [V]."""


class _Store:
    """Collects the seconds."""

    def __init__(self):
        self.rows: dict[str, list] = {key: [] for key in (
            "current", "voltage", "total", "pieces_loss", "constant", "other", "auxiliary", "temperatures", "fan",
            "phases", "protected", "peak", "alive", "heat")}

    def add(self, **values) -> None:
        for key, value in values.items():
            self.rows[key].append(value)

    def run(self, parts, network, surroundings, pieces, last) -> Run:
        made = {key: np.array(values) for key, values in self.rows.items()}
        made["temperatures"] = np.vstack([made["temperatures"], last])
        for key in ("current", "voltage", "other", "auxiliary"):
            made[key] = made[key].reshape(-1)
        return Run(parts=parts, network=network, surroundings=surroundings, pieces=pieces, **made)


def _run_stretch(parts, surroundings, network, stretch, piece, keeper, state, store) -> None:
    mask = electrical.active_mask(parts, stretch.phase_count)
    shape = (stretch.seconds, workload.BLOCK)
    activity = stretch.activity.reshape(shape)
    set_voltage = stretch.set_voltage or parts.set_voltage
    nodes = network.nodes
    for k in range(stretch.seconds):
        t = piece.start + k
        _move_fan(surroundings, stretch, keeper, state.temperature[nodes.coolant], t)
        second = one_second(parts, network, mask, stretch, activity[k], set_voltage, keeper, state)
        _act(stretch.guards, second, keeper, piece, t, state.temperature[nodes.stage].max(),
             state.temperature[nodes.die])
        store.add(current=second.current, voltage=second.voltage, total=second.total, pieces_loss=second.pieces,
                  constant=second.constant, other=second.other, auxiliary=second.auxiliary,
                  temperatures=state.temperature, fan=keeper.duty, phases=0 if second.dark else stretch.phase_count,
                  protected=float(second.held), peak=second.peak, alive=0.0 if second.dark else 1.0, heat=second.heat)
        step, into, room = network.step(keeper.duty, 1.0)
        after = step @ state.temperature + into @ second.heat + room * surroundings.room_at(t + 0.5)
        state.before, state.temperature = state.temperature, after
        piece.end = t + 1
        if piece.trip is not None:
            break


def _move_fan(surroundings: Surroundings, stretch: Stretch, keeper: Keeper, coolant: float, t: int) -> None:
    wanted = stretch.fan_duty if stretch.fan_duty is not None else surroundings.duty_at(float(coolant))
    if t % 2 == 0:
        turn_fan(keeper, wanted, 2)


def turn_fan(keeper: Keeper, wanted: float, seconds: int) -> None:
    """Move the fan towards the `wanted` duty as far as it comes in so many seconds."""
    if abs(wanted - keeper.duty) > 0.5 * FAN_STEP:
        # The fan's controller moves in whole steps, one a second: few different duties occur in a run.
        moved = keeper.duty + float(np.clip(wanted - keeper.duty, -seconds * FAN_STEP, seconds * FAN_STEP))
        keeper.duty = round(FAN_STEP * round(moved / FAN_STEP), 2)


@dataclass(slots=True, eq=False)
class Second:
    """The electrical side of one second."""

    current: np.ndarray
    voltage: np.ndarray
    other: np.ndarray
    auxiliary: np.ndarray
    total: np.ndarray
    pieces: np.ndarray
    constant: np.ndarray
    heat: np.ndarray
    peak: float
    held: bool
    dark: bool
    trip_at: int | None
    power: float


def _dark(parts: Parts, network: thermal.Network) -> Second:
    zero = np.zeros(workload.BLOCK)
    heat = np.zeros(len(network.capacity))
    return Second(current=zero, voltage=zero, other=zero + STANDBY, auxiliary=zero, total=np.zeros(3),
                   pieces=np.zeros((len(electrical.PIECES), 3)), constant=np.array([0.0, 0.0, parts.path_resistance]),
                   heat=heat, peak=0.0, held=False, dark=True, trip_at=None, power=0.0)


def one_second(parts, network, mask, stretch, activity, set_voltage, keeper, state) -> Second:
    """Work out one second of the electrical side at the present temperatures."""
    if stretch.kind == "off":
        return _dark(parts, network)
    h, nodes = parts.hidden, network.nodes
    middle = 1.5 * state.temperature - 0.5 * state.before
    leakage = h.leakage * np.exp((middle[nodes.die] - 60.0) / h.leakage_temperature)
    leakage *= (state.voltage / set_voltage) ** h.leakage_voltage
    made = electrical.losses(parts, mask, middle[nodes.stage], middle[nodes.inductor], middle[nodes.copper],
                             state.supply, set_voltage)
    wanted = activity * keeper.throttle
    voltage = electrical.processor_voltage(wanted, leakage, set_voltage, parts.load_line)
    current = (set_voltage - voltage) / parts.load_line if parts.load_line else (
        wanted / set_voltage + leakage / set_voltage)
    plane = h.plane_resistance * float(electrical.copper_factor(middle[nodes.copper].mean()))
    path = parts.path_resistance * float(electrical.copper_factor(middle[nodes.path]))
    worst, offset = _worst_phase(made)
    current, held, trip_at = _over_current(stretch.guards, made, current, worst, offset)
    if held:
        voltage = set_voltage - parts.load_line * current
    total = made.total
    total[0] += parts.controller_power
    total[2] += plane
    other = np.full(workload.BLOCK, parts.other_loads + h.auxiliary_power / h.auxiliary_efficiency)
    auxiliary = np.full(workload.BLOCK, h.auxiliary_power)
    if trip_at is not None:
        current, voltage, auxiliary = current.copy(), voltage.copy(), auxiliary.copy()
        current[trip_at:] = voltage[trip_at:] = auxiliary[trip_at:] = 0.0
    first, square = float(current @ _EVENLY), float((current * current) @ _EVENLY)
    loss = total[0] + total[1] * current + total[2] * current * current
    load = voltage * current + loss + other
    drawn = electrical.input_current(load, parts.supply_voltage, h.source_resistance + path)
    drawn_square = float((drawn * drawn) @ _EVENLY)
    heat = np.zeros(len(network.capacity))
    heat[nodes.stage] = made.stage[0] + made.stage[1] * first + made.stage[2] * square
    heat[nodes.inductor] = made.inductor[0] + made.inductor[1] * first + made.inductor[2] * square
    heat[nodes.copper] = made.copper[0] + made.copper[1] * first + made.copper[2] * square
    heat[nodes.copper] += (plane * square + parts.controller_power) / parts.phase_count
    heat[nodes.path] = path * drawn_square
    power = float((voltage * current + auxiliary) @ _EVENLY)
    heat[nodes.die] = power
    state.voltage = float(voltage @ _EVENLY) if trip_at is None else set_voltage
    state.supply = parts.supply_voltage - (h.source_resistance + path) * float(drawn @ _EVENLY)
    peak = worst * float(current.max()) + offset + 0.5 * made.ripple
    return Second(current=current, voltage=voltage, other=other, auxiliary=auxiliary, total=total,
                   pieces=made.pieces, constant=np.array([parts.controller_power, plane, path]), heat=heat, peak=peak,
                   held=held, dark=False, trip_at=trip_at, power=power)


def _worst_phase(made: electrical.Coefficients) -> tuple[float, float]:
    index = int(np.argmax(made.share))
    return float(made.share[index]), float(made.offset[index])


def _over_current(guards: Guards, made, current, worst: float, offset: float):
    """Return the current after over-current protection, whether it held back, and the sample at which it tripped."""
    ceiling = np.inf
    if guards.phase_current is not None:
        ceiling = (guards.phase_current - 0.5 * made.ripple - offset) / worst
    if guards.total_current is not None:
        ceiling = min(ceiling, guards.total_current)
    over = current > ceiling
    if not over.any():
        return current, False, None
    if guards.clamps:
        return np.minimum(current, ceiling), True, None
    return current, False, int(np.argmax(over)) + 1


def _act(guards: Guards, second: Second, keeper: Keeper, piece: Piece, t: int, stage: float, die: float) -> None:
    """Let the slow protections act and note what acted."""
    if second.dark:
        keeper.throttle, keeper.power = 1.0, 0.0
        return
    keeper.power += (second.power - keeper.power) * 0.25
    held = {"over_current": second.held}
    room = 1.0
    if guards.power_limit is not None:
        room = min(room, 1.0 - keeper.power / guards.power_limit)
        held["power_limit"] = keeper.throttle < 1.0 and keeper.power > 0.985 * guards.power_limit
    if guards.temperature_warning is not None:
        room = min(room, (guards.temperature_warning - stage) / 40.0)
        held["temperature_warning"] = keeper.throttle < 1.0 and stage > guards.temperature_warning - 2.0
    if guards.processor_temperature is not None:
        room = min(room, (guards.processor_temperature - die) / 40.0)
        held["processor_temperature"] = keeper.throttle < 1.0 and die > guards.processor_temperature - 2.0
    # Such governors fall fast and recover slowly, and hover about the limit.
    keeper.throttle = float(np.clip(keeper.throttle + np.clip(0.3 * room, -0.2, 0.01), 0.15, 1.0))
    held["governor"] = keeper.throttle < 0.999
    second.held = second.held or held["governor"]
    for name, acted in held.items():
        if acted:
            piece.held_back[name] = piece.held_back.get(name, 0.0) + 1.0
    if second.trip_at is not None:
        over_total = guards.total_current is not None and second.current.max() > guards.total_current
        kind = "total_current_trip" if over_total else "over_current_trip"
        piece.trip = Event(t + second.trip_at * workload.GRID, kind)
    elif stage > min(guards.temperature_trip or STAGE_SHUTDOWN, STAGE_SHUTDOWN):
        piece.trip = Event(t + 1.0, "temperature_trip")

"""What thinking costs: decode, calibrate, six behaviours and the command, against one hand-written function.

The floor is one plain function with the same arithmetic for the same rows and nothing else: no coroutine, no sample, no
object but a list of state. It decodes what the robot has, keeps the floor's light, steers by the same PID, sets the
speed, and makes the checks for arms, markers, red and obstacles that the mission makes while it follows the line. Rows
come from one run on the fake robot; only ticks in which the mission followed its line are timed, since only then do
both do the same. Both are run in turn, many times over, and the fastest turn of each counts, in processor time.

Run: python -m tests.benchmarks.bench_tick
"""

import time
from collections.abc import Callable

from behaviours import eyes
from behaviours.missions import MISSIONS
from drivers.fake.backend import build
from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.decode import Decoder
from robotcore.log import Log
from tests.driving import calibration_of, rig_of

URL = "fake:quay?seed=3"
FROM_TICK, TICKS = 400, 600  #: of the first straight and bend: nothing but line
ROUNDS = 40
Row = tuple[int, ...]


def rows_of(url: str) -> list[Row]:
    """Return the raw rows of a run up to the last tick that is timed."""
    rig, mission = rig_of("harbour"), MISSIONS["line"]
    world, rows = build(parse_address(url), rig), []
    brain = Brain(rig, calibration_of("harbour"), mission, mission.settings(), Log())
    for tick in range(FROM_TICK + TICKS):
        rows.append(world.sense(tick))
        world.act(brain.step(tick, rows[-1]))
    return rows


def timed(step: Callable[[int, Row], object], rows: list[Row]) -> float:
    """Return processor microseconds a tick over the ticks that count, after the ticks before them."""
    for tick in range(FROM_TICK):
        step(tick, rows[tick])
    counted = list(enumerate(rows))[FROM_TICK:]
    start = time.process_time()
    for tick, row in counted:
        step(tick, row)
    return (time.process_time() - start) / TICKS * 1e6


def mission_step() -> Callable[[int, Row], object]:
    """Return the tick as the runtime runs it."""
    mission = MISSIONS["line"]
    return Brain(rig_of("harbour"), calibration_of("harbour"), mission, mission.settings(), Log()).step


def decode_step() -> Callable[[int, Row], object]:
    """Return the decoding alone."""
    return Decoder(rig_of("harbour"), calibration_of("harbour"))


def floor_step() -> Callable[[int, Row], object]:
    """Return the same arithmetic, written out by hand."""
    rig, calibration, s = rig_of("harbour"), calibration_of("harbour"), MISSIONS["line"].settings()
    gains = []
    for role in ("floor_left", "floor_right", "front"):
        slot, ref = rig.layout.slots[role], calibration.references[role]
        triple = [1.0 / 1023 / (w - o) for w, o in zip(ref.white, ref.offset, strict=True)]
        offsets = [o * 1023 for o in ref.offset]
        black = sum((b - o) / (w - o) for w, b, o in zip(ref.white, ref.black, ref.offset, strict=True)) / 3.0
        gains.append((slot.start, *triple, *offsets, black, 1.0 / (1.0 - black)))
    (l0, lr, lg, lb, lor, log_, lob, lblack, lspan) = gains[0]
    (r0, rr, rg, rb, ror, rog, rob, rblack, rspan) = gains[1]
    (f0, fr, fg, fb, for_, fog, fob, _, _) = gains[2]
    d0, s0, b0 = (rig.layout.slots[role].start for role in ("drive", "side_range", "battery"))
    drive = rig.role("drive")
    assert drive is not None
    unit, width, half, dt = drive.device.rad_per_count * rig.body.wheel_radius_m, rig.body.track_width_m, 0.07, 0.01
    f, m, red_share, trace = s.follow, s.marker, s.strip.red, s.follow.trace
    state = [1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.05, 0.0, 0.0, 0.0, 0.0]
    past: list[tuple[float, float]] = []

    def step(tick: int, row: Row) -> tuple[float, float, float, float]:
        white_l, white_r, integral, derivative, last, bend, speed, empty, light, contact, side = state
        a, b, c = (row[l0] - lor) * lr, (row[l0 + 1] - log_) * lg, (row[l0 + 2] - lob) * lb
        left_light = (a + b + c) / 3.0
        left = 1.0 - (left_light - lblack) * lspan / white_l
        red = a > red_share * (a + b + c) and left_light > 0.075
        green = m.gate < left_light < m.light and b > m.green * (a + b + c)
        a, b, c = (row[r0] - ror) * rr, (row[r0 + 1] - rog) * rg, (row[r0 + 2] - rob) * rb
        right_light = (a + b + c) / 3.0
        right = 1.0 - (right_light - rblack) * rspan / white_r
        red = red or (a > red_share * (a + b + c) and right_light > 0.075)
        green = green or (m.gate < right_light < m.light and b > m.green * (a + b + c))
        front = ((row[f0] - for_) * fr + (row[f0 + 1] - fog) * fg + (row[f0 + 2] - fob) * fb) / 3.0
        light += 0.33 * (front - light)
        empty += 0.007 * (light - empty)
        ahead = light - empty > s.obstacle.rise
        distance, volts = row[s0] * 5e-7 * 343.2, row[b0] * 1e-3
        left_m, right_m = row[d0] * unit, row[d0 + 1] * unit
        travel, heading = 0.5 * (left_m + right_m), (right_m - left_m) / width
        past.append((left_m, right_m))
        then_left, then_right = past[-6] if len(past) > 5 else past[0]
        fast_left, fast_right = (left_m - then_left) / 0.05, (right_m - then_right) / 0.05
        bright = 1.0 - (left if left < right else right)
        if bright > 0.85:
            share = 1.0 + (0.05 if bright > 1.0 else 0.006) * (bright - 1.0)
            white_l *= share
            white_r *= share
        if left > trace or right > trace:
            contact, side = travel, 1.0 if left > right else -1.0
        arm = (left > 0.78 or right > 0.78) and not green and not red
        if arm or red or green or ahead or travel - contact > f.blank_m:
            speed = f.slowest_m_s
        error = left - right
        derivative = (f.filter_s * derivative + f.kd_rad * (error - last)) / (f.filter_s + dt)
        integral += f.ki_rad_s2 * error * dt
        turn = f.kp_rad_s * error + integral + derivative
        if turn > f.turn_limit_rad_s or turn < -f.turn_limit_rad_s:
            turn = f.turn_limit_rad_s if turn > 0.0 else -f.turn_limit_rad_s
        if left < trace and right < trace:
            turn += f.hug_rad_s * side
        bend += 0.06 * (turn - bend)
        wanted = f.cruise_m_s - f.slow_per_rad_s * abs(bend) - f.slow_for_error * f.cruise_m_s * abs(error)
        speed = speed + 0.005 if wanted > speed + 0.005 else f.slowest_m_s if wanted < f.slowest_m_s else wanted
        state[:] = white_l, white_r, integral, derivative, error, bend, speed, empty, light, contact, side
        step.seen = (distance, volts, heading, fast_left, fast_right)  # type: ignore[attr-defined]
        return speed - half * turn, speed + half * turn, 0.0, 0.0

    return step


def main() -> None:
    """Print times and ratios."""
    rows = rows_of(URL)
    assert eyes.RISE == 0.05
    best = dict.fromkeys(("floor", "decode", "mission"), float("inf"))
    for _ in range(ROUNDS):
        for name, make in (("floor", floor_step), ("decode", decode_step), ("mission", mission_step)):
            best[name] = min(best[name], timed(make(), rows))
    print(f"hand-written tick             {best['floor']:.2f} us")
    print(f"decode alone                  {best['decode']:.2f} us")
    print(
        f"decode, behaviours, command   {best['mission']:.2f} us: {best['mission'] / best['floor']:.1f} times the "
        "hand-written one (goal 6)"
    )
    print(
        f"behaviours and scheduler      {best['mission'] - best['decode']:.2f} us, "
        f"{(best['mission'] - best['decode']) / best['floor']:.1f} times the hand-written tick"
    )


if __name__ == "__main__":
    main()

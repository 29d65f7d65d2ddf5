// A program as the instrument takes it: tables in trade units, their corners, and what moving a corner changes.

const CARRIERS = {
  flow: {
    constant: "constant flow", program: "flow program", only: "flow_mL_min", start: "start_mL_min",
    rate: "rate_mL_per_min2", to: "to_mL_min", unit: "mL/min", rateUnit: "mL/min per min",
    step: "flow_mL_min", rateStep: "flow_rate_mL_per_min2", name: "Column flow",
  },
  pressure: {
    constant: "constant pressure", program: "pressure program", only: "inlet_kPa", start: "start_kPa",
    rate: "rate_kPa_per_min", to: "to_kPa", unit: "kPa gauge", rateUnit: "kPa/min",
    step: "pressure_kPa", rateStep: "pressure_rate_kPa_per_min", name: "Inlet pressure",
  },
  velocity: {
    constant: "constant velocity", program: null, only: "velocity_cm_s", start: "velocity_cm_s",
    unit: "cm/s", step: "velocity_cm_s", name: "Average velocity",
  },
};
const OVEN = {
  start: "start_C", rate: "rate_C_per_min", to: "to_C", unit: "°C", rateUnit: "°C/min",
  step: "temperature_C", rateStep: "rate_C_per_min", name: "Oven",
};

/** The oven's and the carrier's schedule of a program: start, hold, ramps of rate, to and hold. */
export function schedulesOf(program) {
  const { oven, carrier } = program;
  const kind = Object.values(CARRIERS).find((each) => each.constant === carrier.mode || each.program === carrier.mode);
  const ramps = (given, keys) => (given ?? []).map((each) => ({ rate: each[keys.rate], to: each[keys.to], hold: each.hold_min ?? 0 }));
  const constant = carrier.mode === kind.constant;
  return {
    oven: { keys: OVEN, start: oven.start_C, hold: oven.hold_min ?? 0, ramps: ramps(oven.ramps, OVEN) },
    carrier: {
      keys: kind,
      start: carrier[constant ? kind.only : kind.start],
      hold: carrier.hold_min ?? 0,
      ramps: ramps(carrier.ramps, kind),
    },
  };
}

/** The tables of a program file again. */
export function programOf({ oven, carrier }) {
  const written = (schedule) => {
    let before = schedule.start;
    return schedule.ramps.map((ramp) => {
      const { rate, to } = schedule.keys;
      const table = { [rate]: ramp.rate, [to]: ramp.to, hold_min: ramp.hold };
      if (schedule.keys === OVEN && ramp.to < before) table.cooling = true;
      before = ramp.to;
      return table;
    });
  };
  const { keys } = carrier;
  return {
    oven: { start_C: oven.start, hold_min: oven.hold, ramps: written(oven) },
    carrier: carrier.ramps.length
      ? { mode: keys.program, [keys.start]: carrier.start, hold_min: carrier.hold, ramps: written(carrier) }
      : { mode: keys.constant, [keys.only]: carrier.start },
  };
}

/** Corners (t [min], v): the start, the end of its hold, then where each ramp arrives and the end of that hold. */
export function corners(schedule) {
  const found = [{ t: 0, v: schedule.start, ramp: -1, part: "start" }];
  if (!schedule.ramps.length && schedule.keys !== OVEN) return found;
  found.push({ t: schedule.hold, v: schedule.start, ramp: -1, part: "hold" });
  schedule.ramps.forEach((ramp, at) => {
    const before = found.at(-1);
    const t = before.t + Math.abs(ramp.to - before.v) / ramp.rate;
    found.push({ t, v: ramp.to, ramp: at, part: "arrival" }, { t: t + ramp.hold, v: ramp.to, ramp: at, part: "hold" });
  });
  return found;
}

const onGrid = (value, step) => Number((Math.round(value / step) * step).toPrecision(12));

/** The schedule with a corner put at a time and a value, on the instrument's steps; what comes later keeps its set points. */
export function moved(schedule, number, t, v, steps) {
  const made = structuredClone({ ...schedule, keys: null });
  made.keys = schedule.keys;
  const corner = corners(schedule)[number], before = corners(schedule)[number - 1];
  const value = onGrid(v, steps[schedule.keys.step]), time = steps.time_min;
  const held = Math.max(onGrid(t - (before?.t ?? 0), time), 0);
  if (corner.ramp < 0) {
    made.start = value;
    if (corner.part === "hold") made.hold = held;
  } else {
    const ramp = made.ramps[corner.ramp];
    ramp.to = value;
    if (corner.part === "hold") ramp.hold = held;
    else {
      const step = steps[schedule.keys.rateStep];
      ramp.rate = Math.max(onGrid(Math.abs(value - before.v) / Math.max(t - before.t, 1e-3), step), step);
    }
  }
  return made;
}

/** The schedule with one set point of a corner changed by so many of the instrument's steps. */
export function nudged(schedule, number, across, up, steps) {
  const made = structuredClone({ ...schedule, keys: null });
  made.keys = schedule.keys;
  const corner = corners(schedule)[number], table = corner.ramp < 0 ? made : made.ramps[corner.ramp];
  const by = (key, count, step, least) => {
    table[key] = Math.max(onGrid(table[key] + count * step, step), least);
  };
  if (up) by(corner.ramp < 0 ? "start" : "to", up, steps[schedule.keys.step], -Infinity);
  if (across && corner.part === "hold") by("hold", across, steps.time_min, 0);
  // To the right is later, which for an arrival is a slower ramp.
  if (across && corner.part === "arrival") by("rate", -across, steps[schedule.keys.rateStep], steps[schedule.keys.rateStep]);
  return made;
}

/** What a corner is, in words, with its set points. */
export function cornerText(schedule, number) {
  const corner = corners(schedule)[number], { name, unit, rateUnit } = schedule.keys;
  const at = `${shown(corner.v)} ${unit} at ${corner.t.toFixed(2)} min`;
  if (corner.part === "start") return `${name}, start: ${at}`;
  const which = corner.ramp < 0 ? "initial hold" : `ramp ${corner.ramp + 1}`;
  if (corner.part === "arrival") return `${name}, ${which}, ${shown(schedule.ramps[corner.ramp].rate)} ${rateUnit}: ${at}`;
  return `${name}, end of ${corner.ramp < 0 ? which : `hold after ${which}`}: ${at}`;
}

/** A number without rounding dust. */
export function shown(value) {
  return String(Number(Number(value).toPrecision(8)));
}

"use strict";
{{ coefficients }}

const bench = JSON.parse(document.getElementById("bench-data").textContent);

/* abs(P(j w)) of a polynomial by its ascending coefficients. */
function magnitude(polynomial, w) {
  let real = 0, imaginary = 0;
  for (let k = polynomial.length - 1; k >= 0; k--) {
    const next = -imaginary * w;
    imaginary = real * w;
    real = next + polynomial[k];
  }
  return Math.hypot(real, imaginary);
}

function levels(values, loading, frequencies) {
  const x = values.concat([loading.source, loading.load, loading.capacitance]);
  const [top, bottom] = coefficients(x);
  return frequencies.map((f) => {
    const w = 2 * Math.PI * f;
    return 20 * Math.log10(magnitude(top, w) / magnitude(bottom, w));
  });
}

/* The job's curve in dB, up to a constant. */
function curveLevels(frequencies) {
  const factors = (list, w) => list.reduce((sum, t) => sum + Math.log10(Math.hypot(1, w * t)), 0);
  return frequencies.map((f) => {
    const w = 2 * Math.PI * f, { zeros_s, poles_s, power } = bench.curve;
    return 20 * (factors(zeros_s, w) - factors(poles_s, w) + power * Math.log10(w));
  });
}

/* Frequencies evenly spaced in the logarithm over the job's band, both ends included. */
function bandFrequencies(perDecade) {
  const [low, high] = bench.band_hz, decades = Math.log10(high / low);
  const steps = Math.max(1, Math.ceil(perDecade * decades));
  return Array.from({ length: steps + 1 }, (_, k) => k === steps ? high : low * Math.pow(high / low, k / steps));
}

/* Frequencies with the curve there, in dB re 1 kHz. */
function grid(frequencies) {
  const [reference] = curveLevels([1000]);
  return { hz: frequencies, ideal_db: curveLevels(frequencies).map((v) => v - reference) };
}

/* The figure that the sliders redraw, with its values as they are in the job. */
const moved = charts["chart-error"], [, ...initial] = moved.plots[0].data;
const keyed = (key) => moved.options.panels[0].series.flatMap((s, k) => s.key === key ? [initial[k - 1]] : []);
const wide = grid(bench.frequency_hz), coarse = grid(moved.plots[0].data[0]), fine = grid(bandFrequencies(240));

/* Network and error on a grid, in dB re 1 kHz. */
function onGrid(values, loading, { hz, ideal_db }) {
  const reference = levels(values, loading, [1000])[0];
  const network = levels(values, loading, hz).map((v) => v - reference);
  return { gain_db: reference, network_db: network, error_db: network.map((v, k) => v - ideal_db[k]) };
}

/* Level in dB re EMF at 1 kHz, network and error in dB re 1 kHz, centred error over the band. */
function compute(loading) {
  const onWide = onGrid(bench.values, loading, wide);
  return { ...onWide, centred_db: centred(onGrid(bench.values, loading, fine).error_db) };
}

/* The largest of evenly spaced samples, each peak by the parabola through three of them. */
function highest(samples) {
  return samples.reduce((best, middle, k) => {
    const left = samples[k - 1], right = samples[k + 1];
    const curvature = left - 2 * middle + right;
    // At an end a neighbour is missing and no comparison holds: the sample itself counts.
    if (!(middle >= left && middle >= right && curvature < 0)) return Math.max(best, middle);
    return Math.max(best, middle - (left - right) * (left - right) / (8 * curvature));
  }, -Infinity);
}

function centred(error) {
  return (highest(error) + highest(error.map((v) => -v))) / 2;
}

/* A small generator of random numbers with a seed, so that the picture does not flicker. */
function randomNumbers(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

/* One part's deviation as a share of its tolerance; normal: the tolerance is 3 sigma, cut there. */
function deviation(random) {
  if (bench.distribution !== "normal") return 2 * random() - 1;
  for (;;) {
    const z = Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random()) / 3;
    if (Math.abs(z) <= 1) return z;
  }
}

/* A tolerance of null: each part has its own, as in the job. */
function joined(position, random, tolerance) {
  const drawn = position.parts.map((part) => part.value * (1 + (tolerance ?? part.tolerance) * deviation(random)));
  const sum = (list) => list.reduce((a, b) => a + b, 0);
  return position.adds ? sum(drawn) : 1 / sum(drawn.map((v) => 1 / v));
}

/* Percentiles of the error over builds, and the centred error that 95 % stay within: as drawn,
   and the ends of its 95 % confidence interval by the ranks of a binomial count. */
function builds(loading, tolerances) {
  const random = randomNumbers(1), count = bench.builds;
  const columns = coarse.hz.map(() => new Float64Array(count)), spans = new Float64Array(count);
  for (let n = 0; n < count; n++) {
    const values = bench.positions.map((p) => joined(p, random, tolerances[p.kind]));
    const { error_db: error } = onGrid(values, loading, coarse);
    error.forEach((v, k) => { columns[k][n] = v; });
    spans[n] = centred(error);
  }
  for (const list of [...columns, spans]) list.sort();
  const rank = (share) => Math.max(0, Math.min(count - 1, Math.ceil(share * count) - 1));
  const doubt = 1.96 * Math.sqrt(0.95 * 0.05 / count);
  return {
    low: columns.map((column) => column[rank(0.025)]),
    high: columns.map((column) => column[rank(0.975)]),
    within_db: spans[rank(0.95)],
    from_db: spans[rank(0.95 - doubt)],
    to_db: spans[rank(0.95 + doubt)],
  };
}

const sliders = ["source", "load", "capacitance", "resistor", "capacitor"];

function read(name) {
  const slider = document.getElementById(`slide-${name}`);
  const value = Number(slider.value);
  return slider.dataset.scale === "log" ? Math.pow(10, value) : value;
}

function shown(value, unit) {
  const prefixes = [[1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"], [1e-12, "p"]];
  const [size, prefix] = prefixes.find(([s]) => Math.abs(value) >= s) || [1, ""];
  return `${+(value / size).toPrecision(3)} ${prefix}${unit}`;
}

/* Kinds of part whose tolerance has been set here; of the others each part keeps its own. */
const retoleranced = new Set();

function tolerance(kind) {
  return retoleranced.has(kind) ? read(kind) / 100 : null;
}

function shownTolerance(kind) {
  const text = `±${+read(kind).toPrecision(3)} %`;
  const own = new Set(bench.positions.filter((p) => p.kind === kind)
    .flatMap((p) => p.parts.map((part) => part.tolerance)));
  return retoleranced.has(kind) || own.size < 2 ? text : `each part's own, up to ${text}`;
}

function state() {
  return {
    loading: { source: read("source"), load: read("load"), capacitance: read("capacitance") * 1e-12 },
    tolerances: { resistor: tolerance("resistor"), capacitor: tolerance("capacitor") },
  };
}

/* The value of a slider in the field beside it, and for whoever hears the slider. */
function show(name, text) {
  const field = document.getElementById(`number-${name}`);
  if (document.activeElement !== field) field.value = +(read(name) / field.dataset.factor).toPrecision(4);
  document.getElementById(`show-${name}`).textContent = text.includes("own") ? text : "";
  document.getElementById(`slide-${name}`).setAttribute("aria-valuetext", text);
}

/* Move a slider to a value in the unit of its field, or as near as it goes. */
function place(name, value) {
  const slider = document.getElementById(`slide-${name}`), field = document.getElementById(`number-${name}`);
  const exact = value * field.dataset.factor;
  const at = slider.dataset.scale === "log" ? Math.log10(Math.max(exact, 1e-9)) : exact;
  slider.value = Math.max(slider.min, Math.min(slider.max, at));
}

/* Say a result aloud once the sliders rest, not at every step of a drag. */
let resting = 0;
function say(text) {
  clearTimeout(resting);
  resting = setTimeout(() => { document.getElementById("bench-said").textContent = text; }, 600);
}

/* The error at the job's own bench, and what a unit without the ultrasonic poles adds. */
const [atTheJob] = keyed("job"), [published] = keyed("published");

function atTheJobsBench() {
  return sliders.every((name) => {
    const slider = document.getElementById(`slide-${name}`);
    return Math.abs(slider.value - slider.defaultValue) < 1e-9;
  });
}

function drawError(loading, spread) {
  if (atTheJobsBench()) {
    moved.redraw({ network: atTheJob, published, builds: keyed("builds") });
    return;
  }
  const error = onGrid(bench.values, loading, coarse).error_db;
  const values = { network: error, builds: [spread.high, spread.low] };
  if (published) values.published = error.map((v, k) => v + published[k] - atTheJob[k]);
  moved.redraw(values);
}

function reach() {
  return Number(document.querySelector("input[name=scale]:checked").value);
}

function redraw(aloud) {
  const { loading, tolerances } = state();
  const now = compute(loading);
  const spread = builds(loading, tolerances);
  drawError(loading, spread);
  const output = bench.source_level_v * Math.pow(10, now.gain_db / 20);
  show("source", shown(loading.source, "Ω"));
  show("load", shown(loading.load, "Ω"));
  show("capacitance", shown(loading.capacitance, "F"));
  for (const kind of ["resistor", "capacitor"]) show(kind, shownTolerance(kind));
  const result = `Level at 1 kHz ${shown(output, "V")}, ${now.gain_db.toFixed(2)} dB re EMF. ` +
    `Error over the band ±${now.centred_db.toFixed(3)} dB; 95\u00a0% of ` +
    `${bench.builds} builds drawn in this page within ±${spread.within_db.toFixed(3)} dB ` +
    `(95\u00a0% confidence: ${spread.from_db.toFixed(3)} to ${spread.to_db.toFixed(3)} dB).` +
    (now.centred_db > reach() ? " The curve leaves the scale." : "");
  document.getElementById("bench-result").textContent = result;
  if (aloud) say(result);
}

let pending = false;
for (const name of sliders) {
  document.getElementById(`slide-${name}`).addEventListener("input", () => {
    if (name === "resistor" || name === "capacitor") retoleranced.add(name);
    if (pending) return;
    pending = true;
    requestAnimationFrame(() => { pending = false; redraw(true); });
  });
}
for (const button of document.querySelectorAll("button[data-slider]")) {
  button.addEventListener("click", () => {
    document.getElementById(`slide-${button.dataset.slider}`).value = button.dataset.value;
    redraw(true);
    remember();
  });
}

/* The sliders' places stand in the address, so that a bench can be bookmarked. */
function remember() {
  const scale = document.querySelector("input[name=scale]:checked");
  const places = sliders.map((name) => [name, document.getElementById(`slide-${name}`)])
    .filter(([, slider]) => Math.abs(slider.value - slider.defaultValue) > 1e-9)
    .map(([name, slider]) => `${name}=${slider.value}`)
    .concat(scale.defaultChecked ? [] : [`scale=${scale.value}`]);
  history.replaceState(null, "", places.length ? `#bench,${places.join(",")}` : "#bench");
}

function recall() {
  const [word, ...places] = decodeURIComponent(location.hash.slice(1)).split(",");
  if (word !== "bench") return;
  for (const place of places) {
    const [name, value] = place.split("=");
    for (const scale of document.querySelectorAll("input[name=scale]")) {
      if (name === "scale" && scale.value === value) scale.checked = true;
    }
    if (!sliders.includes(name) || !Number.isFinite(Number(value))) continue;
    document.getElementById(`slide-${name}`).value = value;
    if (name === "resistor" || name === "capacitor") retoleranced.add(name);
  }
}
for (const name of sliders) {
  document.getElementById(`slide-${name}`).addEventListener("change", remember);
  const field = document.getElementById(`number-${name}`);
  field.addEventListener("change", () => {
    if (field.value === "" || !Number.isFinite(Number(field.value))) return redraw(false);
    if (name === "resistor" || name === "capacitor") retoleranced.add(name);
    place(name, Number(field.value));
    redraw(true);
    remember();
  });
  field.addEventListener("blur", () => requestAnimationFrame(() => redraw(false)));
}
for (const scale of document.querySelectorAll("input[name=scale]")) {
  scale.addEventListener("change", () => {
    moved.reach(reach());
    redraw(true);
    remember();
  });
}

document.getElementById("bench-reset").addEventListener("click", () => {
  retoleranced.clear();
  for (const name of sliders) {
    const slider = document.getElementById(`slide-${name}`);
    slider.value = slider.defaultValue;
  }
  redraw(true);
  remember();
});

for (const hidden of document.querySelectorAll("#bench, .scripted")) hidden.hidden = false;
recall();
moved.reach(reach());
redraw(false);

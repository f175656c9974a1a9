"use strict";
/* Charts that can be read out.  Each figure has its options as JSON beside a drawing for paper. */
const charts = (() => {
  const figures = {};
  const MINUS = "\u2212", FINEST = 1.02, FEW = 2.5;

  /* The page's variables as colours that a canvas takes; forgotten when the scheme changes. */
  const probe = document.createElement("span");
  probe.hidden = true;
  document.body.append(probe);
  let known = {};
  function colour(name, opacity) {
    if (!(name in known)) {
      probe.style.color = `var(--${name})`;
      known[name] = getComputedStyle(probe).color;
    }
    return opacity ? known[name].replace(/rgba?\(([^)]*?)\)/, (_, c) => `rgba(${c.split(",").slice(0, 3)},${opacity})`) : known[name];
  }

  const plain = (text) => text.replace("-", MINUS);

  function prefixed(value) {
    const [size, prefix] = value >= 1e3 ? [1e3, "k"] : [1, ""];
    return `${+(value / size).toPrecision(3)}${prefix}`;
  }

  /* Round numbers from low to high, no more than count. */
  function roundNumbers(low, high, count) {
    const raw = (high - low) / count, power = Math.pow(10, Math.floor(Math.log10(raw)));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw * (1 - 1e-9));
    const first = Math.ceil(low / step - 1e-6), last = Math.floor(high / step + 1e-6);
    return Array.from({ length: Math.max(0, last - first + 1) }, (_, k) => (first + k) * step);
  }

  const NAMED = new Set([20, 100, 1e3, 1e4, 2e4, 1e5]), LINES = [1, 2, 5];
  function frequencies(low, high) {
    const inside = (list) => list.filter((f) => f >= low * 0.999 && f <= high * 1.001);
    const decades = [1, 10, 100, 1e3, 1e4, 1e5, 1e6];
    const lines = inside(decades.flatMap((d) => LINES.map((m) => m * d)));
    if (lines.filter((f) => NAMED.has(f)).length >= 3) return { at: lines, named: NAMED };
    if (lines.length >= 3) return { at: lines, named: new Set(lines) };
    const round = roundNumbers(low, high, 5);
    return { at: round, named: new Set(round) };
  }

  /* Texts that would touch the next one are left out; 20k counts more than 10k. */
  function apart(texts, splits, u) {
    const { min, max } = u.scales.x, wide = (u.width - 60) / Math.log(max / min);
    let next = Infinity;
    for (let k = texts.length - 1; k >= 0; k--) {
      const at = wide * Math.log(splits[k] / min), half = 3.8 * texts[k].length;
      if (texts[k] && at + half + 4 > next) texts[k] = "";
      if (texts[k]) next = at - half;
    }
    return texts;
  }

  function decimals(splits) {
    const step = splits.length > 1 ? Math.abs(splits[1] - splits[0]) : 1;
    return Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  }

  function axes(options, panel) {
    const lowest = options.panels.indexOf(panel) >= options.panels.length - options.columns;
    const font = `12px ${getComputedStyle(document.body).fontFamily}`;
    const common = {
      font, labelFont: font, stroke: () => colour("ink"),
      grid: { stroke: () => colour("line"), width: 0.8 }, ticks: { show: false },
      border: { show: true, stroke: () => colour("ink"), width: 1 },
    };
    const log = options.logarithmic, narrow = options.columns > 2;
    return [
      {
        ...common, size: 24, gap: 3, label: narrow || !lowest ? undefined : options.x_label, labelSize: 18, labelGap: 0,
        filter: (u, splits) => splits,
        splits: (u, _, low, high) => log ? frequencies(low, high).at : roundNumbers(low, high, u.width < 240 ? 2 : u.width < 400 ? 4 : 7),
        values: (u, splits) => {
          if (!log) return splits.map((v) => plain(v.toFixed(decimals(splits))));
          const { named } = frequencies(u.scales.x.min, u.scales.x.max);
          return apart(splits.map((f) => named.has(f) ? prefixed(f) : ""), splits, u);
        },
      },
      {
        ...common, size: narrow ? 34 : 46, gap: 4, label: panel.axes[1].label || undefined, labelSize: 18, labelGap: 0,
        splits: (u, _, low, high) => roundNumbers(low, high, Math.max(4, Math.floor(u.height / 45))),
        values: (u, splits) => splits.map((v) => plain(v.toFixed(decimals(splits)))),
      },
    ];
  }

  function series(options, panel) {
    return panel.series.map((s, k) => k === 0 ? {} : {
      label: s.label, width: s.width * 0.85, pxAlign: 0, dash: s.dash, spanGaps: true,
      stroke: s.width || s.dots ? () => colour(s.stroke) : undefined,
      ...(s.dots ? { paths: () => null, points: { show: true, size: s.width + 1, width: 0, fill: () => colour(s.stroke) } }
        : { points: { show: false }, ...(s.whiskers ? { paths: whiskers } : {}) }),
    });
  }

  /* Thin lines with caps from the series before, the high ends, to this one. */
  function whiskers(u, low) {
    const path = new Path2D(), dpr = devicePixelRatio || 1;
    const at = u.data[0].flatMap((v, k) => u.data[low][k] === null ? [] : [[u.valToPos(v, "x", true), k]]);
    const apart = at.slice(1).map(([x], k) => x - at[k][0]);
    const cap = Math.min(4 * dpr, 0.3 * Math.min(...apart));
    for (const [x, k] of at) {
      const ends = [low - 1, low].map((s) => u.valToPos(u.data[s][k], "y", true));
      path.moveTo(x, ends[0]); path.lineTo(x, ends[1]);
      for (const y of ends) { path.moveTo(x - cap, y); path.lineTo(x + cap, y); }
    }
    return { stroke: path };
  }

  /* How many digits tell apart what a panel shows. */
  function digits(panel) {
    const span = panel.scales.y.max - panel.scales.y.min;
    return Math.max(0, Math.min(4, 3 - Math.floor(Math.log10(span) + 1e-9)));
  }

  function make(name, className, parent) {
    const made = document.createElement(name);
    made.className = className;
    parent.append(made);
    return made;
  }

  class Figure {
    constructor(element) {
      this.element = element;
      this.options = JSON.parse(element.querySelector("script").textContent);
      this.live = element.querySelector(".live");
      this.zoomed = null;
      this.build();
    }

    build() {
      const { columns, widths } = this.options;
      this.live.hidden = false;
      this.element.classList.add("is-live");
      this.legend = make("div", "legend", this.live);
      this.read = make("output", "at", this.legend);
      this.read.setAttribute("aria-live", "off");
      this.entries = this.makeLegend();
      this.hint = make("span", "hint", this.legend);
      this.hint.textContent = "Drag to zoom";
      this.reset = make("button", "reset", this.legend);
      this.reset.type = "button";
      this.reset.textContent = "Whole range";
      this.reset.hidden = true;
      this.reset.addEventListener("click", () => this.zoom(null));
      this.grid = make("div", `chart-panels columns-${columns}`, this.live);
      this.grid.style.setProperty("--columns", widths.map((w) => `minmax(0, ${w}fr)`).join(" "));
      this.makeCrosshair();
      const common = [this.options.y_label, columns > 2 ? this.options.x_label : ""].filter(Boolean).join("; ");
      if (common) this.legend.prepend(Object.assign(document.createElement("span"), { textContent: common }));
      this.values = [];
      this.plots = [];
      this.follow = new ResizeObserver(() => this.resize());
      this.follow.observe(this.live);
      this.draw();
    }

    /* The plots, once there is room: a figure may be hidden when the page comes up. */
    draw() {
      if (!this.live.clientWidth) return;
      this.plots = this.options.panels.map((panel) => {
        const holder = make("div", "chart-panel", this.grid);
        const name = panel.title ? make("p", "name", holder) : null;
        if (name) name.textContent = panel.title + (panel.note ? ` (${panel.note})` : "");
        this.values.push(name && make("span", "value", name));
        return this.plot(panel, make("div", "canvas", holder));
      });
      for (const { places, button } of this.entries) {
        if (button.getAttribute("aria-pressed") === "false") this.show(places, false);
      }
    }

    makeLegend() {
      const groups = new Map();
      this.options.panels.forEach((panel, p) => panel.series.forEach((s, k) => {
        if (k === 0 || !s.label) return;
        if (!groups.has(s.group)) groups.set(s.group, { s, places: [], band: false });
        const group = groups.get(s.group);
        group.whiskers ||= s.whiskers;
        if (group.places.some(([q]) => q === p)) group.band = true;
        group.places.push([p, k]);
      }));
      return [...groups.values()].map((group) => {
        const button = make("button", "entry", this.legend);
        button.type = "button";
        button.setAttribute("aria-pressed", "true");
        const sample = make("span", "sample", button);
        const { s } = group;
        if (group.whiskers) {
          sample.classList.add("whisker");
          sample.style.color = `var(--${s.stroke})`;
        } else if (group.band) {
          sample.classList.add("tint");
          sample.style.background = `color-mix(in srgb, var(--${s.stroke}) 25%, transparent)`;
        } else {
          sample.style.borderTop = `${Math.max(2, Math.min(4, s.width))}px ${s.dots ? "dotted" : s.dash.length ? (s.dash[0] > 4 ? "dashed" : "dotted") : "solid"} var(--${s.stroke})`;
        }
        make("span", "", button).textContent = s.label;
        group.value = make("span", "value", button);
        group.button = button;
        button.addEventListener("click", () => this.toggle(group, button));
        return group;
      });
    }

    toggle(group, button) {
      const show = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(show));
      this.show(group.places, show);
    }

    show(places, show) {
      for (const [p, k] of places) this.plots[p]?.setSeries(k, { show });
    }

    plot(panel, holder) {
      const shared = (this.options.logarithmic ? "frequency" : this.element.id);
      const scale = (name) => ({ time: false, auto: false, min: panel.scales[name].min, max: panel.scales[name].max, range: (u, low, high) => [low, high] });
      const u = new uPlot({
        width: Math.max(120, holder.clientWidth), height: this.height(panel), padding: [8, 20, 0, 0],
        scales: { x: { ...scale("x"), ...(this.options.logarithmic ? { distr: 3 } : {}) }, y: scale("y") },
        axes: axes(this.options, panel), series: series(this.options, panel),
        bands: panel.bands.map((b) => ({ series: b.series, fill: () => colour(b.fill, 0.22) })),
        legend: { show: false },
        cursor: {
          y: false, points: { size: 7, width: 1.5, stroke: () => colour("ink"), fill: () => colour("paper") },
          drag: { x: true, y: false, setScale: false, dist: 5 },
          sync: { key: shared, setSeries: false, scales: ["x", null], filters: { pub: (type) => type === "mousemove" || type === "mouseleave" } },
          bind: { dblclick: () => () => { this.zoom(null); return null; } },
        },
        hooks: {
          setCursor: [(plot) => this.readOut(plot)],
          setSelect: [(plot) => this.select(plot)],
        },
      }, panel.data, holder);
      u.panel = panel;
      return u;
    }

    height(panel) {
      return Math.max(150, Math.min(panel.height, this.options.panels.length > 1 ? 240 : 340));
    }

    resize() {
      if (!this.plots.length) this.draw();
      for (const u of this.plots) {
        const width = u.root.parentElement.clientWidth;
        if (width && width !== u.width) u.setSize({ width, height: u.height });
      }
    }

    select(u) {
      if (u.select.width < 5) return;
      const low = u.posToVal(u.select.left, "x"), high = u.posToVal(u.select.left + u.select.width, "x");
      u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
      this.zoom([low, high], u);
    }

    /* Zoom in on a range of the horizontal axis; none: the whole. */
    zoom(range, origin) {
      if (range && (this.options.logarithmic ? range[1] / range[0] < FINEST : !(range[1] > range[0]))) return;
      this.zoomed = range;
      this.reset.hidden = !range;
      this.hint.hidden = !!range;
      for (const u of this.plots) {
        const whole = u.panel.scales.x;
        const alike = !origin || (whole.min === origin.panel.scales.x.min && whole.max === origin.panel.scales.x.max);
        if (range && !alike) continue;
        u.setScale("x", range ? { min: Math.max(range[0], whole.min), max: Math.min(range[1], whole.max) } : whole);
      }
    }

    text(u, k, idx) {
      const value = u.data[k][idx];
      return value === null || value === undefined ? "" : plain(value.toFixed(digits(u.panel)));
    }

    position(u, idx) {
      const [, unit] = this.options.x_label.split(" in ");
      const x = u.data[0][idx];
      if (this.options.logarithmic) return x >= 1e3 ? `${+(x / 1e3).toPrecision(4)} kHz` : `${+x.toPrecision(4)} Hz`;
      return plain(`${+x.toPrecision(4)} ${unit}`);
    }

    readOut(u) {
      if (!this.plots.length) return;
      const idx = u.cursor.left < 0 ? null : u.cursor.idx, p = this.plots.indexOf(u);
      const seen = idx !== null && idx !== undefined;
      this.read.textContent = seen ? this.position(u, idx) : "";
      for (const group of this.entries) {
        const places = group.places.filter(([q]) => q === p);
        if (!places.length) continue;
        const values = seen ? places.map(([, k]) => this.text(u, k, idx)).filter(Boolean) : [];
        group.value.textContent = values.reverse().join(" to ");
      }
      if (this.values[p]) this.values[p].textContent = seen ? this.text(u, u.data.length - 1, idx) : "";
      this.crosshair.setAttribute("aria-valuetext", seen ? this.spoken(u, idx) : "outside");
      if (seen) this.crosshair.setAttribute("aria-valuenow", String(idx));
    }

    spoken(u, idx) {
      const named = u.panel.series.map((s, k) => [s, k]).filter(([s, k]) => k > 0 && s.label && u.series[k].show);
      const said = named.length ? named : [[{ label: u.panel.title }, u.data.length - 1]];
      return [this.position(u, idx), ...said.map(([s, k]) => `${s.label} ${this.text(u, k, idx) || "no value"}`)].join(", ");
    }

    /* The crosshair is a slider of the keyboard: arrows move it, plus and minus zoom about it. */
    makeCrosshair() {
      const box = this.crosshair = this.grid;
      const last = this.options.panels[0].data[0].length - 1;
      const name = this.element.querySelector("figcaption b");
      const set = { role: "slider", tabindex: "0", "aria-label": `Crosshair: ${name ? name.textContent : this.element.id}`, "aria-valuemin": "0", "aria-valuemax": String(last), "aria-valuenow": "0", "aria-valuetext": "outside" };
      for (const [key, value] of Object.entries(set)) box.setAttribute(key, value);
      box.addEventListener("keydown", (event) => {
        if (event.ctrlKey || event.altKey || event.metaKey || !this.key(event)) return;
        event.preventDefault();
      });
    }

    key(event) {
      if (!this.plots.length) return false;
      const u = this.plots[0], x = u.data[0], { min, max } = u.scales.x;
      const first = x.findIndex((v) => v >= min * (1 - 1e-9)), last = x.findLastIndex((v) => v <= max * (1 + 1e-9));
      const inside = u.cursor.left >= 0 && u.cursor.idx !== null;
      const now = inside ? u.cursor.idx : Math.round((first + last) / 2);
      const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 }[event.key];
      if (step !== undefined) return this.move(u, now + (inside ? step * (event.shiftKey ? 10 : 1) : 0), first, last);
      if (event.key === "Home") return this.move(u, first, first, last);
      if (event.key === "End") return this.move(u, last, first, last);
      if (event.key === "Escape") { this.zoom(null); return true; }
      if ("+=-".includes(event.key)) return this.zoomAbout(u, x[now], event.key === "-" ? FEW : 1 / FEW);
      return false;
    }

    move(u, idx, first, last) {
      const to = Math.max(first, Math.min(last, idx));
      u.setCursor({ left: u.valToPos(u.data[0][to], "x"), top: u.over.clientHeight / 2 }, true, true);
      return true;
    }

    zoomAbout(u, centre, factor) {
      const log = this.options.logarithmic, go = log ? Math.log : (v) => v, back = log ? Math.exp : (v) => v;
      const { min, max } = u.scales.x, whole = u.panel.scales.x;
      const low = go(centre) + (go(min) - go(centre)) * factor, high = go(centre) + (go(max) - go(centre)) * factor;
      const range = [Math.max(back(low), whole.min), Math.min(back(high), whole.max)];
      this.zoom(range[0] <= whole.min && range[1] >= whole.max ? null : range, u);
      return true;
    }

    /* New values of the marks that have a key; others stay. */
    redraw(values) {
      const u = this.plots[0], data = [...u.data], met = {};
      u.panel.series.forEach((s, k) => {
        if (k === 0 || !(s.key in values)) return;
        const list = values[s.key];
        data[k] = Array.isArray(list[0]) ? list[met[s.key] = (met[s.key] ?? -1) + 1] : list;
      });
      u.setData(data, false);
      u.redraw(true, false);
      this.readOut(u);
    }

    /* End it, where another of its name takes its place. */
    close() {
      this.follow.disconnect();
      for (const u of this.plots) u.destroy();
    }

    reach(limit) {
      const u = this.plots[0];
      u.panel.scales.y = { min: -limit, max: limit };
      u.setScale("y", { min: -limit, max: limit });
    }
  }

  function open(part) {
    for (const element of part.querySelectorAll("figure.plot[id]")) {
      if (figures[element.id]?.element === element) continue;
      figures[element.id]?.close();
      figures[element.id] = new Figure(element);
    }
  }
  open(document);
  document.addEventListener("inserted", () => { open(document); stops(); });

  function recolour() {
    known = {};
    for (const figure of Object.values(figures)) for (const u of figure.plots) u.redraw(false, true);
  }
  for (const query of ["(prefers-color-scheme: dark)", "(forced-colors: active)"]) {
    matchMedia(query).addEventListener("change", recolour);
  }
  return figures;
})();

/* What fits needs no stop of the keyboard; what scrolls does. */
function stops() {
  for (const box of document.querySelectorAll(".wide")) {
    if (box.scrollWidth > box.clientWidth) box.tabIndex = 0;
    else box.removeAttribute("tabindex");
  }
}
stops();
addEventListener("resize", stops);
document.addEventListener("toggle", stops, true);

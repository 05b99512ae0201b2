"use strict";
// The knobs, and the drawing of what the server answers. No number is computed here but places on the drawing and units.
const setup = JSON.parse(document.getElementById("setup").textContent);
const at = (id) => document.getElementById(id);
const INCHES = { l: ["ft³", 28.316846592], cm: ["in", 2.54], mm: ["in", 25.4], "cm²": ["in²", 6.4516] };
const DASHES = ["", "9 3", "10 3 2 3", "2 2", "5 2"];
const SHARED = /^(name$|note$|air|drivers\.|drive\.|amplifier\.)/;
const PANELS = [
  ["spl_db", "level, dB at 1 m"], ["max_spl_db", "loudest, dB at 1 m, and what stops it"], ["excursion_mm", "travel of the cone, mm peak"],
  ["port_speed_m_s", "air in the port, m/s peak"], ["radiator_excursion_mm", "travel of the radiator, mm peak"],
  ["group_delay_ms", "group delay, ms"], ["impedance_ohm", "impedance, Ω"],
  ["distortion_percent", "second and third harmonic together, %"], ["coil_c", "coil at rest under a lasting tone, °C"],
];
const MOVING = /^(spl_db|excursion_mm|port_speed_m_s|radiator_excursion_mm|distortion_percent|coil_c)$/;
const SPAN_DB = 40, STRIP = 15, UNDER = 12, MOST_PERCENT = 30;
const hidden = new Set();
let state = structuredClone(setup.start), shown = null, kept = null, turned = null, place = null, drawn = 0;

const made = (tag, attributes = {}, ...inner) => {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.append(...inner);
  return node;
};

// ---- knobs
const needed = (way) => way.knobs.filter((knob) => !knob.optional && !knob.told && !knob.words.length);
const value = (key) => (setup.own.includes(key) ? state[key] ?? undefined : state.values[key]);
const put = (key, to) => {
  if (setup.own.includes(key)) state[key] = to ?? null;
  else if (to === undefined) delete state.values[key];
  else state.values[key] = to;
};
const hasFlag = (group) => group.ways.some((way) => way.flag);
const wayOf = (group) => group.ways
  .filter((way) => (!hasFlag(group) || Boolean(way.flag) === state.to_limit) && needed(way).every((knob) => value(knob.key) !== undefined))
  .sort((a, b) => needed(b).length - needed(a).length)[0] || group.ways[0];
const take = (group, way) => {
  for (const other of group.ways) for (const knob of other.knobs)
    if (!way.knobs.some((own) => own.key === knob.key)) put(knob.key, undefined);
  for (const knob of needed(way)) if (value(knob.key) === undefined) put(knob.key, knob.usual);
  if (hasFlag(group)) state.to_limit = Boolean(way.flag);
};
const shownUnit = (unit) => (at("units").value === "inch" && INCHES[unit] ? INCHES[unit] : [unit, 1]);
const three = (number) => Number(number.toPrecision(3));

let count = 0;
// A slider and its field; `get` and `set` reach the value, undefined for one that is switched off.
const knobOf = (knob, get, set) => {
  const id = `knob-${count++}`;
  const row = made("div", { class: "knob" });
  if (knob.key) row.dataset.key = knob.key;
  const label = made("label", { for: id }, knob.label);
  const refused = made("p", { class: "refused", id: `${id}-refused`, role: "alert" });
  refused.hidden = true;
  row.append(label);
  const turn = (to) => { set(to); turned = row; ask(); };
  if (knob.words.length) {
    const select = made("select", { id }, ...knob.words.map((word) => made("option", {}, word)));
    select.value = get() ?? knob.usual;
    select.addEventListener("change", () => turn(select.value));
    if (knob.optional) {
      select.prepend(made("option", { value: "" }, "as measured"));
      select.value = get() ?? "";
      select.addEventListener("change", () => { if (!select.value) turn(undefined); });
    }
    row.append(select, refused);
    return row;
  }
  const [unit, factor] = shownUnit(knob.unit);
  const even = knob.step > 0;
  const slider = made("input", { type: "range", "aria-label": `${knob.label}, slider`,
    ...(even ? { min: knob.low, max: knob.high, step: knob.step } : { min: 0, max: 1000, step: 1 }) });
  const field = made("input", { type: "number", id, step: "any", "aria-describedby": refused.id });
  let typed = null;
  const show = (slide = true) => {
    const now = get() ?? knob.usual;
    const off = knob.optional && get() === undefined;
    if (slide) slider.value = even ? now : 1000 * Math.log(now / knob.low) / Math.log(knob.high / knob.low);
    // What was typed stays as it was; what comes from a file or a proposal has three digits, the value behind it all.
    const written = typed === now ? field.value : three(now / factor);
    // What is off is not counted, or is each driver's own: no number stands there.
    if (document.activeElement !== field) field.value = off ? "" : written;
    slider.setAttribute("aria-valuetext", `${three(now / factor)} ${unit}`);
  };
  slider.addEventListener("input", () => {
    const position = Number(slider.value);
    turn(even ? position : three(knob.low * (knob.high / knob.low) ** (position / 1000)));
    show(false);
  });
  field.addEventListener("input", () => {
    if (field.value === "") return;
    typed = Number((Number(field.value) * factor).toPrecision(12));
    turn(typed);
    show();
  });
  field.addEventListener("blur", () => show());
  row.append(slider, field, made("span", { class: "unit" }, unit), refused);
  if (knob.optional) {
    const box = made("input", { type: "checkbox", "aria-label": `${knob.label}, counted` });
    const enable = () => { slider.disabled = field.disabled = !box.checked; };
    box.checked = get() !== undefined;
    box.addEventListener("change", () => { turn(box.checked ? knob.usual : undefined); enable(); show(); });
    label.prepend(box, " ");
    enable();
  }
  show();
  return row;
};
const build = () => {
  const groups = setup.groups[state.kind];
  at("kind").value = state.kind;
  at("groups").replaceChildren(...groups.map((group, number) => {
    const fieldset = made("fieldset", {}, made("legend", {}, group.title));
    const now = wayOf(group);
    for (const knob of needed(now)) if (value(knob.key) === undefined) put(knob.key, knob.usual);
    if (group.ways.length > 1) {
      const select = made("select", { "aria-label": group.title, id: `way-${number}` },
        ...group.ways.map((way) => made("option", {}, way.name)));
      select.value = now.name;
      select.addEventListener("change", () => {
        take(group, group.ways[select.selectedIndex]);
        build();
        at(select.id).focus();
        ask();
      });
      fieldset.append(made("div", { class: "pick" }, select));
    }
    fieldset.append(...now.knobs.map((knob) => knobOf(knob, () => value(knob.key), (to) => put(knob.key, to))));
    return fieldset;
  }));
  at("sections").replaceChildren(...state.sections.map((section, index) => {
    const told = (key, label, unit, low, high, usual, step, words = []) => knobOf(
      { label: `${label} of section ${index + 1}`, unit, low, high, usual, step, words, optional: false },
      () => section[key], (to) => { section[key] = to; if (key === "kind") build(); });
    const rows = [told("kind", "kind", "", 0, 1, "peaking", 0, setup.sections),
      told("frequency_hz", "frequency", "Hz", 5, 500, 40, 0), told("q", "Q", "", 0.3, 10, 0.707, 0)];
    if (setup.with_gain.includes(section.kind)) rows.push(told("gain_db", "gain", "dB", -18, 18, 0, 0.1));
    const off = made("button", { type: "button" }, `remove section ${index + 1}`);
    off.addEventListener("click", () => { state.sections.splice(index, 1); build(); ask(); at("add-section").focus(); });
    return made("div", {}, ...rows, off);
  }));
};
const refuse = (sentence) => {
  for (const row of document.querySelectorAll("#knobs .refused")) { row.hidden = true; row.textContent = ""; }
  for (const field of document.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
  if (!sentence) return;
  const key = sentence.split(":")[0];
  const named = [...document.querySelectorAll(".knob")].find((row) => row.dataset.key === key);
  const row = named || (turned && turned.isConnected ? turned : null);
  const where = row ? row.querySelector(".refused") : at("general");
  where.textContent = named ? sentence.slice(key.length + 2) : sentence;
  where.hidden = false;
  const field = row && row.querySelector('input[type="number"]');
  if (field) field.setAttribute("aria-invalid", "true");
};

// ---- the server
// Arrays come as base64 of 32-bit floats, low byte first; those of every machine that a browser runs on are such.
const array = (text) => new Float32Array(Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer);
const read64 = (found) => {
  for (const key of ["frequency_hz", "band_hz"]) found[key] = array(found[key]);
  for (const driver of found.drivers) {
    for (const name of Object.keys(driver.curves)) driver.curves[name] = array(driver.curves[name]);
    for (const band of Object.values(driver.bands)) { band.low = array(band.low); band.high = array(band.high); }
  }
  return found;
};
let busy = false, again = false, link = 0, later = 0;
// Harmonics take longer than a turn: they are asked for when the knobs rest, and drawn only with the state they are of.
const distort = async () => {
  const of = shown;
  try {
    const answer = await fetch("harmonics", { method: "POST", body: JSON.stringify(state) });
    if (answer.status !== 200) return;
    const found = await answer.json();
    if (of !== shown || busy) return;
    for (const [index, text] of Object.entries(found.curves)) shown.drivers[index].curves.distortion_percent = array(text);
    draw();
  } catch { /* said where the server is listened to */ }
};
const ask = async () => {
  again = true;
  if (busy) return;
  busy = true;
  while (again) {
    again = false;
    try {
      const answer = await fetch("show", { method: "POST", body: JSON.stringify(state) });
      if (answer.status !== 200 && answer.status !== 422) throw new Error("no answer");
      const found = await answer.json();
      refuse(found.refused);
      if (!found.refused) { shown = read64(found); draw(); tell(); document.body.dataset.drawn = ++drawn; }
    } catch { lost(true); }
  }
  busy = false;
  clearTimeout(later);
  if (setup.curved) later = setTimeout(distort, 150);
  clearTimeout(link);
  link = setTimeout(() => history.replaceState(null, "", `#${encodeURIComponent(JSON.stringify(state))}`), 250);
};
const lost = (is) => {
  const line = at("server");
  const was = !line.hidden;
  line.hidden = !is;
  line.textContent = is ? "The server does not answer; the last drawing stays. Trying again …" : "";
  if (was && !is) ask();
};
// As long as this is listened to, the server stays.
const stay = async () => {
  for (;;) {
    try {
      const answer = await fetch("presence");
      if (!answer.ok) throw new Error("refused");
      lost(false);
      const reader = answer.body.getReader();
      while (!(await reader.read()).done);
    } catch { /* said below */ }
    lost(true);
    await new Promise((done) => setTimeout(done, 500));
  }
};

// ---- drawing
const colour = (index) => `var(--line-${(index % 5) + 1})`;
const round = (number) => Math.round(number * 10) / 10;
// `places` are those of the frequencies, as text.
const path = (places, values, y, back = false) => {
  let text = "", pen = back ? "L" : "M";
  for (let n = 0; n < places.length; n++) {
    const k = back ? places.length - 1 - n : n;
    if (!Number.isFinite(values[k])) { pen = "M"; continue; }
    text += pen + places[k] + round(y(values[k]));
    pen = "L";
  }
  return text;
};
// Ends of an axis, and the steps that make round numbers of them.
const ENDS = [[1, 0.2], [1.5, 0.5], [2, 0.5], [3, 1], [4, 1], [5, 1], [6, 2], [8, 2], [10, 2]];
const nice = (top) => {
  const power = 10 ** Math.floor(Math.log10(top));
  return ENDS.find(([end]) => end * power >= top * 0.999).map((one) => one * power);
};
const range = (name, all) => {
  let low = 0, high = -Infinity;
  for (const values of all) for (const one of values) if (Number.isFinite(one)) { if (one > high) high = one; if (one < low) low = one; }
  if (!Number.isFinite(high)) return [0, 1, 1];
  if (!name.endsWith("_db")) {
    const [top, step] = nice(Math.min(Math.max(high, 1e-3), name === "distortion_percent" ? MOST_PERCENT : Infinity));
    return [low < -0.05 * top ? -nice(-low)[0] : 0, top, step];
  }
  const top = 10 * Math.ceil((high + 1) / 10);
  return [top - SPAN_DB, top, 10];
};
const escape = (text) => text.replace(/[&<>"]/g, (sign) => `&#${sign.charCodeAt(0)};`);
const ticks = (low, high) => {
  const found = [];
  for (let power = 10 ** Math.floor(Math.log10(low)); power <= high; power *= 10)
    for (const step of [1, 2, 5]) if (step * power >= low * 0.999 && step * power <= high * 1.001) found.push(step * power);
  return found;
};
const scaleX = (width) => {
  const hz = shown.frequency_hz, low = Math.log(hz[0]), high = Math.log(hz[hz.length - 1]);
  return (one) => 38 + (width - 46) * (Math.log(one) - low) / (high - low);
};
// Only what has changed is made anew: the letters of an axis cost more than its curves.
const fill = (node, text) => { if (node.made !== text) node.innerHTML = node.made = text; };
const seen = (from, name) => from.drivers.map((driver, index) => [index, driver]).filter(([index, driver]) => !hidden.has(index) && driver.curves[name]);
const drawPanel = ({ figure, svg, name, label, parts: [clip, frame, inside, under] }, width, x, places) => {
  const own = seen(shown, name), old = kept ? seen(kept.shown, name) : [];
  figure.hidden = !own.length && !old.length;
  if (figure.hidden) return;
  say(figure.firstChild, label + (MOVING.test(name) ? `, ${shown.drive}` : ""));
  const strips = name === "max_spl_db" ? own.map(([, driver]) => STRIP + UNDER * Math.max(0, ...laid(driver, x).map(({ row }) => row))) : [];
  const below = strips.reduce((all, one) => all + one, 0), height = 192 + Math.max(0, below - 2 * STRIP), bottom = height - 18 - below, top = 6;
  const [low, high, step] = range(name, [...own, ...old].map(([, driver]) => driver.curves[name]));
  const y = (one) => Math.max(top - 2, Math.min(bottom + 400, bottom - (bottom - top) * (one - low) / (high - low)));
  fill(clip, `<rect x="38" y="${top - 3}" width="${width - 46}" height="${bottom - top + 5}"/>`);
  let text = "";
  const marks = ticks(shown.frequency_hz[0], shown.frequency_hz[shown.frequency_hz.length - 1]);
  for (const hz of marks) {
    // The first has the unit: there is room beside it, even on a phone.
    const told = `${hz >= 1000 ? `${hz / 1000}k` : hz}${hz === marks[0] ? " Hz" : ""}`;
    text += `<line class="grid" x1="${round(x(hz))}" x2="${round(x(hz))}" y1="${top}" y2="${bottom}"/>`;
    text += `<text text-anchor="middle" x="${round(x(hz))}" y="${height - 4}">${told}</text>`;
  }
  for (let count = Math.ceil(low / step - 1e-6); count * step <= high * 1.0001; count++) {
    const one = count * step;
    text += `<line class="grid" x1="38" x2="${width - 8}" y1="${round(y(one))}" y2="${round(y(one))}"/>`;
    text += `<text text-anchor="end" x="34" y="${round(y(one)) + 4}">${Number(one.toPrecision(3))}</text>`;
  }
  // What both may do is told once; else each in its colour, at places of their own.
  const limits = own.filter(([, driver]) => driver.limits[name] <= high);
  const alike = limits.every(([, driver]) => driver.limits[name] === limits[0][1].limits[name]);
  limits.slice(0, alike ? 1 : limits.length).forEach(([index, driver], row) => {
    const at = round(y(driver.limits[name]));
    const look = alike ? 'class="quiet"' : `class="of-${(index % 5) + 1}"`;
    text += `<line class="limit" x1="38" x2="${width - 8}" y1="${at}" y2="${at}"/><text ${look} text-anchor="end" x="${width - 10 - 52 * row}" y="${at - 3}">allowed</text>`;
  });
  fill(frame, text);
  text = "";
  for (const [index, driver] of own) {
    const band = driver.bands[name];
    if (band) text += `<path class="band" fill="${colour(index)}" d="${path(places.band, band.low, y)}${path(places.band, band.high, y, true)}Z"/>`;
  }
  for (const [lines, css, along] of [[old, "kept", places.kept], [own, "line", places.shown]])
    for (const [index, driver] of lines) text += `<path class="${css}" stroke="${colour(index)}" stroke-dasharray="${DASHES[index % 5]}" d="${path(along, driver.curves[name], y)}"/>`;
  fill(inside, text);
  fill(under, name === "max_spl_db" ? own.map(([index, driver], row) => stops(driver, colour(index), DASHES[index % 5], x, bottom + 9 + strips.slice(0, row).reduce((all, one) => all + one, 0))).join("") : "");
  const view = `0 0 ${width} ${height}`;
  if (svg.made === view) return;
  svg.setAttribute("viewBox", svg.made = view);
  svg.style.height = `${height / 16}rem`;
};
// Where the word of each stretch goes: one too short for it has it in a row below, where no other is in its way.
const laid = (driver, x) => {
  const ends = [];
  return driver.stops.map((stop) => {
    const [from, to] = [x(stop.from_hz), x(stop.to_hz)], half = 3.1 * stop.limit.length;
    const place = Math.min(Math.max((from + to) / 2, 38 + half), wide - 8 - half);
    let row = to - from > 2 * half ? 0 : 1;
    while (row && ends[row] > place - half) row += 1;
    ends[row] = place + half + 4;
    return { stop, from, to, place, row };
  });
};
const stops = (driver, ink, dash, x, middle) => laid(driver, x).map(({ stop, from, to, place, row }) => {
  const words = `<text text-anchor="middle" x="${round(place)}" y="${middle + 5 + UNDER * row}">${escape(stop.limit)}</text>`;
  return `<line class="line" stroke="${ink}" stroke-dasharray="${dash}" x1="${round(from)}" x2="${round(Math.max(to, from + 1))}" y1="${middle - 6}" y2="${middle - 6}"/>${words}` +
    `<line class="limit" x1="${round(from)}" x2="${round(from)}" y1="${middle - 8}" y2="${middle + 6}"/>`;
}).join("");
const panels = PANELS.map(([name, label]) => {
  const figure = made("figure", { "data-panel": name }, made("figcaption", {}, label));
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `${label}, over frequency; the tables below hold its numbers`);
  svg.innerHTML = `<clipPath id="clip-${name}"></clipPath><g></g><g clip-path="url(#clip-${name})"></g><g></g><line class="cursor" y1="6" y2="174"/>`;
  figure.append(svg);
  at("panels").append(figure);
  return { figure, svg, name, label, parts: [...svg.children] };
});
let wide = 0;
const draw = () => {
  if (!shown) return;
  wide = wide || Math.max(240, Math.round(panels[0].figure.clientWidth - 16));
  const x = scaleX(wide), along = (hz) => Array.from(hz, (one) => `${round(x(one))} `);
  const places = { shown: along(shown.frequency_hz), band: along(shown.band_hz), kept: kept && along(kept.shown.frequency_hz) };
  for (const panel of panels) drawPanel(panel, wide, x, places);
  read();
};
const say = (node, text) => { if (node.textContent !== text) node.textContent = text; };
const read = () => {
  for (const { parts: [, , , , cursor] } of panels) {
    cursor.style.display = place === null ? "none" : "";
    for (const end of ["x1", "x2"]) cursor.setAttribute(end, 38 + (wide - 46) * (place ?? 0));
  }
  if (place === null) return;
  const hz = shown.frequency_hz, last = hz.length - 1, wanted = hz[0] * (hz[last] / hz[0]) ** place;
  const over = hz.findIndex((one) => one >= wanted), k = over < 0 ? last : over && wanted / hz[over - 1] < hz[over] / wanted ? over - 1 : over;
  const lines = shown.drivers.map((driver, index) => [driver, index]).filter(([, index]) => !hidden.has(index)).map(([driver]) => {
    const told = PANELS.filter(([name]) => driver.curves[name]).map(([name, label]) => {
      const [what, unit] = label.split(", ");
      return `${what} ${Number(driver.curves[name][k]).toPrecision(3)} ${unit}`;
    });
    return `${driver.name}: ${told.join(", ")}`;
  });
  say(at("reading"), [`${hz[k].toPrecision(3)} Hz`, ...lines].join("\n"));
};
let telling = 0;
// Words and tables move the whole page; while a knob turns, the drawing goes first.
const tell = () => {
  say(at("verdict"), shown.verdict);
  telling = telling || setTimeout(() => { telling = 0; write(); }, 100);
};
const write = () => {
  at("words").replaceChildren(...shown.drivers.flatMap((driver) => {
    const heads = Object.keys(driver.table);
    const rows = driver.table[heads[0]].map((_, row) => made("tr", {}, ...heads.map((head, column) =>
      made(column ? "td" : "th", column ? {} : { scope: "row" }, driver.table[head][row]))));
    const table = made("table", {}, made("caption", {}, `${driver.name}: without equaliser, and the most that the limits allow`),
      made("thead", {}, made("tr", {}, ...heads.map((head) => made("th", { scope: "col" }, head)))), made("tbody", {}, ...rows));
    const notes = driver.notes.length ? [made("ul", {}, ...driver.notes.map((note) => made("li", {}, note)))] : [];
    return [made("h2", {}, driver.name), ...driver.sentences.map((sentence) => made("p", {}, sentence)), ...notes,
      made("div", { class: "wide", tabindex: "0", role: "group", "aria-label": `Table of ${driver.name}` }, table)];
  }));
};

// ---- what is beside the knobs
const hold = (now) => {
  kept = now;
  at("held").hidden = !now;
  at("held").textContent = now ? `Held, drawn paler: ${now.shown.verdict}` : "";
  at("back").disabled = at("let-go").disabled = !now;
  draw();
};
at("hold").addEventListener("click", () => { if (shown) hold({ shown, state: structuredClone(state) }); });
at("let-go").addEventListener("click", () => { hold(null); at("hold").focus(); });
at("back").addEventListener("click", () => { state = structuredClone(kept.state); build(); ask(); });
at("kind").append(...Object.entries(setup.kinds).map(([kind, name]) => made("option", { value: kind }, name)));
at("kind").addEventListener("change", () => {
  state.kind = at("kind").value;
  const known = new Set(setup.groups[state.kind].flatMap((group) => group.ways.flatMap((way) => way.knobs.map((knob) => knob.key))));
  for (const key of Object.keys(state.values)) if (!known.has(key) && !SHARED.test(key)) delete state.values[key];
  turned = null;
  build();
  ask();
});
at("units").addEventListener("change", build);
at("add-section").addEventListener("click", () => {
  state.sections.push({ kind: "peaking", frequency_hz: 40, q: 0.707, gain_db: 3 });
  build();
  ask();
});
at("knobs").addEventListener("submit", (event) => event.preventDefault());
at("names").append(...setup.drivers.map((name, index) => {
  const button = made("button", { type: "button", "aria-pressed": "true" });
  const sample = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  sample.setAttribute("viewBox", "0 0 40 8");
  sample.setAttribute("aria-hidden", "true");
  sample.innerHTML = `<line class="line" x1="0" x2="40" y1="4" y2="4" stroke="${colour(index)}" stroke-dasharray="${DASHES[index % 5]}"/>`;
  button.append(sample, name);
  button.addEventListener("click", () => {
    const off = !hidden.delete(index);
    if (off) hidden.add(index);
    button.setAttribute("aria-pressed", String(!off));
    draw();
  });
  return button;
}));
at("whose").append(...setup.drivers.map((name, index) => made("option", { value: index }, name)));
for (const button of document.querySelectorAll("[data-take]")) button.addEventListener("click", async () => {
  try {
    const answer = await fetch(`take/${button.dataset.take}?driver=${at("whose").value}`, { method: "POST", body: JSON.stringify(state) });
    if (answer.status === 422) { say(at("taken"), (await answer.json()).refused); return; }
    if (!answer.ok) throw new Error("no answer");
    const name = answer.headers.get("content-disposition").match(/"(.+)"/)[1];
    const content = await answer.blob();
    if (button.dataset.take === "commands") {
      at("commands").hidden = false;
      at("commands").textContent = await content.text();
      return;
    }
    const save = made("a", { href: URL.createObjectURL(content), download: name });
    save.click();
    setTimeout(() => URL.revokeObjectURL(save.href), 10000);
    say(at("taken"), `${name} goes to where your browser keeps downloads.`);
  } catch { say(at("taken"), "The server does not answer; nothing was taken."); }
});
const move = (to) => { place = Math.min(Math.max(to, 0), 1); if (shown) read(); };
at("panels").tabIndex = 0;
at("panels").setAttribute("role", "group");
at("panels").setAttribute("aria-label", "Curves: move the reading with the arrow keys");
at("panels").addEventListener("keydown", (event) => {
  const step = { ArrowLeft: -0.01, ArrowRight: 0.01, PageDown: -0.1, PageUp: 0.1 }[event.key];
  if (event.key === "Home" || event.key === "End") move(event.key === "Home" ? 0 : 1);
  else if (step) move((place ?? 0.5) + step);
  else return;
  event.preventDefault();
});
at("panels").addEventListener("pointermove", (event) => {
  const svg = event.target.closest("svg");
  if (!svg || !shown) return;
  const box = svg.getBoundingClientRect();
  move((event.clientX - box.left - 38) / (box.width - 46));
});
const fromLink = () => {
  try {
    const linked = JSON.parse(decodeURIComponent(location.hash.slice(1)));
    if (setup.groups[linked.kind] && linked.values && Array.isArray(linked.sections)) { state = linked; return true; }
  } catch { /* no state of ours */ }
  return false;
};
addEventListener("hashchange", () => { if (fromLink()) { turned = null; build(); ask(); } });
addEventListener("resize", () => { wide = 0; draw(); });
fromLink();
build();
ask();
stay();

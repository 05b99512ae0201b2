"use strict";
// Readouts under the pointer or the arrow keys, and buttons that hide a curve. The page is complete without any of it.
const narrow = matchMedia("(max-width: 30rem)");
const NARROW_PT = 280; // how wide a drawing is there
const [LETTER, BOLD] = [0.55, 0.62]; // width of a letter over its size
for (const [name, data] of Object.entries(JSON.parse(document.getElementById("readings").textContent))) {
  const figure = document.getElementById(name);
  const svg = figure.querySelector("svg");
  const panels = data.panels.filter((panel) => panel.lines.length);
  for (const panel of panels) for (const line of panel.lines) line.x = data.x[line.x];
  const hidden = new Set();
  const say = document.createElement("output");
  const caption = figure.querySelector("figcaption");
  const first = data.panels[0];
  const [left, right] = [first.box[0], first.box[2]];
  let place = null;
  let across = 1; // how wide the panels are, as a part of what they were drawn

  // Panels may show parts of one axis: a reading's place is a share of all that they show together.
  const scaled = (value) => (first.x[2] ? Math.log(value) : value);
  const ends = (shown) => [Math.min(...shown.map((panel) => scaled(panel.x[0]))), Math.max(...shown.map((panel) => scaled(panel.x[1])))];
  const whole = ends(panels.length ? panels : data.panels);
  const toX = (share) => {
    const value = whole[0] + share * (whole[1] - whole[0]);
    return first.x[2] ? Math.exp(value) : value;
  };
  // Where in a panel a value stands, and which place of all a share of a panel's width is.
  const within = (panel, x) => (scaled(x) - scaled(panel.x[0])) / (scaled(panel.x[1]) - scaled(panel.x[0]));
  const placeOf = (panel, share) => {
    const [low, high] = ends([panel]);
    return (low + share * (high - low) - whole[0]) / (whole[1] - whole[0]);
  };
  const digits = (value) => (Math.abs(value) >= 1000 ? value.toFixed(0) : Math.abs(value) < 0.001 ? "0" : value.toPrecision(3));
  const valueAt = (line, wanted) => {
    const [low, high] = [line.x[0], line.x[line.x.length - 1]];
    const slack = 1e-3 * Math.abs(high - low) / line.x.length;
    if (wanted < low - slack || wanted > high + slack) return null;
    const x = Math.min(Math.max(wanted, low), high);
    const after = Math.max(line.x.findIndex((value) => value >= x), 1);
    const [x0, x1, y0, y1] = [line.x[after - 1], line.x[after], line.y[after - 1], line.y[after]];
    if (y0 === null || y1 === null) return null;
    const part = first.x[2] ? Math.log(x / x0) / Math.log(x1 / x0) : (x - x0) / (x1 - x0);
    return y0 + Math.min(Math.max(part, 0), 1) * (y1 - y0);
  };
  const cursors = panels.map((panel) => {
    const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", "cursor");
    line.setAttribute("visibility", "hidden");
    line.setAttribute("y1", panel.box[1]);
    line.setAttribute("y2", panel.box[3]);
    svg.append(line);
    return line;
  });
  const show = () => {
    const x = toX(place);
    const seen = panels.filter((panel) => within(panel, x) > -1e-9 && within(panel, x) < 1 + 1e-9);
    cursors.forEach((cursor, number) => {
      const at = left + within(panels[number], x) * across * (right - left);
      cursor.setAttribute("visibility", seen.includes(panels[number]) ? "visible" : "hidden");
      cursor.setAttribute("x1", at);
      cursor.setAttribute("x2", at);
    });
    const [what, unit] = first.x_name.split(", ");
    const rows = [`${what} ${digits(x)} ${unit || ""}`];
    data.curves.forEach((curve, number) => {
      if (hidden.has(number)) return;
      const told = seen.flatMap((panel) => panel.lines.filter((line) => line.curve === number).map((line) => {
        const value = valueAt(line, x);
        const [, of] = panel.y_name.split(", ");
        return value === null ? null : `${digits(value)} ${of || ""}`.trim();
      })).filter((text) => text !== null);
      if (told.length) rows.push(`${curve}: ${[...new Set(told)].join(", ")}`);
    });
    say.textContent = rows.join("\n");
  };
  const move = (to) => {
    place = Math.min(Math.max(to, 0), 1);
    show();
  };

  // On a narrow page the panels become narrower, and what is written keeps its size.
  const drawn = [...svg.querySelectorAll("path, use, rect, text")].map((node) => [node,
    Object.fromEntries(["d", "x", "width", "transform"].map((key) => [key, node.getAttribute(key)]))]);
  // Words keep to the width of the drawing: titles become smaller, names above the first panel make room for each other,
  // and of two numbers below the last that would touch one goes.
  const fit = (width) => {
    const names = [];
    const taken = {}; // how far numbers below a panel reach, by their height
    for (const [node, { x }] of drawn) {
      if (node.tagName !== "text") continue;
      node.style.fontSize = node.dataset.size ??= node.style.fontSize;
      const size = parseFloat(node.dataset.size);
      const long = (node.style.fontWeight ? BOLD : LETTER) * node.textContent.length * size;
      const anchor = node.style.textAnchor || "start";
      const y = +node.getAttribute("y");
      if (anchor === "start") node.style.fontSize = `${size * Math.min(1, (width - 3 - node.getAttribute("x")) / long)}px`;
      if (+x > left && y < first.box[1]) names.push({ node, long: long + 5, anchor });
      else if (anchor === "middle" && /^[\d−-]/.test(node.textContent) && !data.panels.some(({ box }) => y > box[1] && y < box[3])) {
        const from = node.getAttribute("x") - 0.6 * long;
        const meets = from < (taken[y] ?? -Infinity);
        node.style.visibility = across < 1 && meets ? "hidden" : "";
        if (!meets) taken[y] = from + 1.2 * long;
      }
    }
    if (across === 1) return;
    const part = { start: 0, middle: 0.5, end: 1 };
    for (const one of names) {
      one.before = one.long * part[one.anchor];
      one.from = one.node.getAttribute("x") - one.before;
    }
    names.sort((one, other) => one.from - other.from);
    names.forEach((one, k) => { if (k) one.from = Math.max(one.from, names[k - 1].from + names[k - 1].long); });
    for (let k = names.length - 1, end = width; k >= 0; end = names[k--].from) {
      names[k].from = Math.min(names[k].from, end - names[k].long);
      names[k].node.setAttribute("x", names[k].from + names[k].before);
    }
  };
  const draw = () => {
    const wanted = Math.min(NARROW_PT, data.size[0]);
    across = narrow.matches ? 1 - (data.size[0] - wanted) / (right - left) : 1;
    const to = (x) => x - (1 - across) * (Math.min(Math.max(x, left), right) - left);
    for (const [node, { d, x, width, transform }] of drawn) {
      if (d) node.setAttribute("d", d.replace(/(-?[\d.]+) (-?[\d.]+)/g, (_, from, y) => `${to(+from).toFixed(2)} ${y}`));
      if (x) node.setAttribute("x", to(+x));
      if (width) node.setAttribute("width", to(+x + +width) - to(+x));
      const turned = transform && transform.replace(/\((\S+) (\S+) /, (_, turn, from) => `(${turn} ${to(+from)} `);
      if (transform) node.setAttribute("transform", turned);
    }
    const width = to(data.size[0]);
    svg.setAttribute("viewBox", `0 0 ${width} ${data.size[1]}`);
    svg.classList.toggle("narrow", across < 1);
    fit(width);
    if (place !== null) show();
  };
  const same = data.panels.every((panel) => panel.box[0] === left && panel.box[2] === right);
  if (same && !figure.querySelector("svg + svg")) {
    if (narrow.matches) draw();
    narrow.addEventListener("change", draw);
  }

  if (!panels.length) continue;
  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    const view = svg.viewBox.baseVal;
    const x = ((event.clientX - box.left) / box.width) * view.width;
    const y = ((event.clientY - box.top) / box.height) * view.height;
    const far = ({ box: [, top, , bottom] }) => Math.max(top - y, y - bottom, 0);
    const panel = panels.reduce((near, other) => (far(other) < far(near) ? other : near));
    move(placeOf(panel, Math.min(Math.max((x - left) / (across * (right - left)), 0), 1)));
  });
  const drawing = figure.querySelector(".drawing");
  drawing.tabIndex = 0;
  drawing.setAttribute("role", "group");
  drawing.setAttribute("aria-label", "Curves: move the reading with the arrow keys");
  drawing.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -0.01, ArrowRight: 0.01, PageDown: -0.1, PageUp: 0.1 }[event.key];
    if (event.key === "Home" || event.key === "End") move(event.key === "Home" ? 0 : 1);
    else if (step) move((place ?? 0.5) + step);
    else return;
    event.preventDefault();
  });

  if (data.curves.length > 1) {
    const row = document.createElement("div");
    row.className = "curves";
    data.curves.forEach((curve, number) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = curve;
      button.setAttribute("aria-pressed", "true");
      button.addEventListener("click", () => {
        const off = !hidden.delete(number);
        if (off) hidden.add(number);
        button.setAttribute("aria-pressed", String(!off));
        for (const part of svg.querySelectorAll(`[id^="${name}-c${number}-"]`)) part.style.display = off ? "none" : "";
        if (place !== null) show();
      });
      row.append(button);
    });
    figure.insertBefore(row, drawing);
  }
  say.setAttribute("aria-live", "polite");
  figure.insertBefore(say, caption);
}

// A table that goes on to the right says so.
const wider = new ResizeObserver((entries) => {
  for (const { target } of entries) target.classList.toggle("more", target.scrollWidth > target.clientWidth + 1);
});
for (const table of document.querySelectorAll(".wide")) wider.observe(table);

// A link opens the section that it names, and paper has all of them open.
const opened = () => {
  const named = document.getElementById(location.hash.slice(1));
  const section = named && named.closest("details");
  if (section) section.open = true;
};
addEventListener("hashchange", opened);
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((section) => { section.open = true; }));
opened();

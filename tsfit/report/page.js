"use strict";
// Readouts under the pointer or the arrow keys, and buttons that hide a curve. The page is complete without any of it.
for (const [name, data] of Object.entries(JSON.parse(document.getElementById("readings").textContent))) {
  const figure = document.getElementById(name);
  const svg = figure.querySelector("svg");
  const panels = data.panels.filter((panel) => panel.lines.length);
  if (!panels.length) continue;
  const hidden = new Set();
  const say = document.createElement("output");
  const caption = figure.querySelector("figcaption");
  const first = panels[0];
  let place = null;

  const scale = ([low, high, log]) => (log ? [Math.log(low), Math.log(high)] : [low, high]);
  const toX = (share) => {
    const [low, high] = scale(first.x);
    const value = low + share * (high - low);
    return first.x[2] ? Math.exp(value) : value;
  };
  const digits = (value) => (Math.abs(value) >= 1000 ? value.toFixed(0) : value.toPrecision(3));
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
    const at = first.box[0] + place * (first.box[2] - first.box[0]);
    for (const cursor of cursors) {
      cursor.setAttribute("visibility", "visible");
      cursor.setAttribute("x1", at);
      cursor.setAttribute("x2", at);
    }
    const x = toX(place);
    const [what, unit] = first.x_name.split(", ");
    const rows = [`${what} ${digits(x)} ${unit || ""}`];
    data.curves.forEach((curve, number) => {
      if (hidden.has(number)) return;
      const told = panels.flatMap((panel) => panel.lines.filter((line) => line.curve === number).map((line) => {
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

  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * data.size[0];
    move((x - first.box[0]) / (first.box[2] - first.box[0]));
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

// A link opens the section that it names, and paper has all of them open.
const opened = () => {
  const named = document.getElementById(location.hash.slice(1));
  const section = named && named.closest("details");
  if (section) section.open = true;
};
addEventListener("hashchange", opened);
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((section) => { section.open = true; }));
opened();

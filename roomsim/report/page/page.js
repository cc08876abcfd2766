"use strict";
(() => {
  const reading = document.getElementById("reading");
  const minus = (text) => text.replace("-", "\u2212");

  function axis(text) {
    const [low, high, log, unit, digits] = text.split(" ");
    const a = log === "1" ? Math.log(low) : +low, b = log === "1" ? Math.log(high) : +high;
    return {
      value: (share) => { const v = a + share * (b - a); return log === "1" ? Math.exp(v) : v; },
      written: (v) => {
        if (unit === "Hz") return v >= 999.5 ? (v / 1000).toPrecision(3) + " kHz" : v.toPrecision(3) + " Hz";
        return minus(v.toFixed(+digits)) + (unit === "-" ? "" : unit === "\u00b0" ? unit : " " + unit);
      },
    };
  }

  const points = (d) => d.split(/[M ]/).filter(Boolean).map((pair) => pair.split(",").map(parseFloat));

  function read(svg) {
    if (svg.chart) return svg.chart;
    const x = axis(svg.dataset.x), y = axis(svg.dataset.y);
    const [left, right, top, bottom] = svg.dataset.box.split(" ").map(Number);
    const curves = [...svg.querySelectorAll(".curve")].map((node, k) => {
      const band = svg.querySelector(`.band[data-of="${k}"]`);
      return {
        node, name: node.dataset.name, at: points(node.querySelector("path").getAttribute("d")),
        band: band ? points(band.getAttribute("d").replace("z", "")) : null,
      };
    });
    const level = (py) => y.value((bottom - py) / (bottom - top));
    svg.chart = {
      svg, curves, box: { left, right, top, bottom }, x, y, level,
      frequency: (px) => x.value((px - left) / (right - left)),
      say: (curve, k) => {
        const [px, py] = curve.at[k];
        let text = `${x.written(svg.chart.frequency(px))}: ${y.written(level(py))}`;
        if (curve.band && curve.band.length === 2 * curve.at.length) {
          const high = level(curve.band[k][1]), low = level(curve.band[curve.band.length - 1 - k][1]);
          text += ` (${minus(low.toFixed(1))} to ${minus(high.toFixed(1))})`;
        }
        return text;
      },
    };
    return svg.chart;
  }

  const nearest = (at, px) => at.reduce((best, p, k) => Math.abs(p[0] - px) < Math.abs(at[best][0] - px) ? k : best, 0);

  function show(chart, curve, k, rest) {
    const { svg, box } = chart, [px, py] = curve.at[k];
    svg.querySelector(".curves").classList.add("picked");
    chart.curves.forEach((c) => c.node.classList.toggle("on", c === curve));
    svg.querySelector(".cursor").innerHTML =
      `<path d="M${px},${box.top}V${box.bottom}"/><circle cx="${px}" cy="${Math.min(Math.max(py, box.top), box.bottom)}" r="4"/>`;
    reading.replaceChildren();
    const head = document.createElement("b");
    head.textContent = `${curve.name}, ${chart.say(curve, k)}`;
    reading.append(head);
    for (const other of rest) {
      const line = document.createElement("div");
      line.textContent = `${other.name}: ${chart.y.written(chart.level(other.at[nearest(other.at, px)][1]))}`;
      reading.append(line);
    }
    reading.hidden = false;
    const place = svg.getBoundingClientRect(), scale = place.width / svg.viewBox.baseVal.width;
    const wide = reading.offsetWidth, high = reading.offsetHeight;
    let cx = place.left + px * scale + 12, cy = place.top + Math.max(py, box.top) * scale - high - 10;
    if (cx + wide > document.documentElement.clientWidth - 6) cx = place.left + px * scale - wide - 12;
    reading.style.left = Math.max(cx, 4) + "px";
    reading.style.top = Math.max(cy, 4) + "px";
  }

  function hide(svg) {
    svg.querySelector(".curves").classList.remove("picked");
    svg.querySelectorAll(".curve.on").forEach((node) => node.classList.remove("on"));
    svg.querySelector(".cursor").replaceChildren();
    reading.hidden = true;
  }

  const others = (chart, curve) => chart.curves.filter((c) => c !== curve && c.at.length).slice(0, 7);

  function move(node, step) {
    const svg = node.ownerSVGElement, chart = read(svg);
    const curve = chart.curves.find((c) => c.node === node);
    if (!curve.at.length) return;
    let k = node.step ?? nearest(curve.at, (chart.box.left + chart.box.right) / 2);
    k = Math.min(Math.max(k + step, 0), curve.at.length - 1);
    node.step = k;
    node.setAttribute("aria-valuenow", k);
    node.setAttribute("aria-valuetext", `${curve.name}, ${chart.say(curve, k)}`);
    show(chart, curve, k, others(chart, curve));
  }

  function turn(node, step) {
    const all = [...node.ownerSVGElement.querySelectorAll(".curve")];
    const next = all[(all.indexOf(node) + step + all.length) % all.length];
    next.step = node.step;
    all.forEach((other) => other.setAttribute("tabindex", other === next ? 0 : -1));
    next.focus();
  }

  document.querySelectorAll("svg.chart").forEach((svg) => {
    svg.addEventListener("pointermove", (event) => {
      const chart = read(svg), place = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / place.width;
      const px = (event.clientX - place.left) * scale, py = (event.clientY - place.top) * scale;
      if (px < chart.box.left - 6 || px > chart.box.right + 6) return hide(svg);
      let best = null, far = 40;
      for (const curve of chart.curves) {
        if (!curve.at.length) continue;
        const k = nearest(curve.at, px), off = Math.abs(curve.at[k][1] - py);
        if (off < far) { far = off; best = [curve, k]; }
      }
      if (best) show(chart, best[0], best[1], others(chart, best[0])); else hide(svg);
    });
    svg.addEventListener("pointerleave", () => hide(svg));
    svg.addEventListener("focusin", (event) => { if (event.target.matches(".curve")) move(event.target, 0); });
    svg.addEventListener("focusout", () => hide(svg));
    svg.addEventListener("keydown", (event) => {
      const node = event.target;
      if (!node.matches(".curve")) return;
      const far = event.shiftKey ? 10 : 1, last = 1e6;
      const steps = { ArrowRight: far, ArrowLeft: -far, PageUp: 10, PageDown: -10, Home: -last, End: last };
      if (event.key in steps) move(node, steps[event.key]);
      else if (event.key === "ArrowDown") turn(node, 1);
      else if (event.key === "ArrowUp") turn(node, -1);
      else if (event.key === "Escape") hide(svg);
      else return;
      event.preventDefault();
    });
  });

  document.querySelectorAll("details.numbers").forEach((details) => details.addEventListener("toggle", () => {
    const home = details.querySelector("div");
    if (!details.open || home.childElementCount) return;
    const chart = read(details.parentElement.querySelector("svg.chart"));
    const table = document.createElement("table"), head = table.createTHead().insertRow(), body = table.createTBody();
    const cell = (row, kind, text, scope) => {
      const made = document.createElement(kind);
      made.textContent = text;
      if (scope) made.scope = scope;
      row.append(made);
    };
    const known = chart.curves.filter((c) => c.at.length);
    cell(head, "th", "Hz", "col");
    known.forEach((c) => cell(head, "th", c.name, "col"));
    const { left, right } = chart.box;
    for (let k = -5; k <= 4; k++) {
      const f = 1000 * 10 ** (0.3 * k), a = chart.frequency(left), b = chart.frequency(right);
      const px = left + (right - left) * Math.log(f / a) / Math.log(b / a);
      if (px < left - 1 || px > right + 1) continue;
      const row = body.insertRow();
      cell(row, "th", f < 40 ? "31.5" : f > 1000 * 1.1 ? Math.round(f / 1000) + "k" : f > 900 ? "1k" : String([63, 125, 250, 500][k + 4]), "row");
      known.forEach((c) => {
        const at = c.at[nearest(c.at, px)];
        cell(row, "td", Math.abs(at[0] - px) > 12 ? "\u2013" : chart.y.written(chart.level(at[1])));
      });
    }
    home.append(table);
  }));

  document.querySelectorAll("[data-path]").forEach((node) => {
    const home = node.closest("article"), of = node.dataset.path;
    const mark = (on) => home.querySelectorAll(`.ray[data-path="${of}"], tr[data-path="${of}"]`)
      .forEach((other) => other.classList.toggle("on", on));
    for (const [event, on] of [["pointerenter", true], ["focusin", true], ["pointerleave", false], ["focusout", false]])
      node.addEventListener(event, () => mark(on));
  });

  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details.block:not([open])")]
      .filter((d) => d.querySelectorAll("tr").length < 80);
    opened.forEach((d) => { d.open = true; });
  });
  addEventListener("afterprint", () => { opened.forEach((d) => { d.open = false; }); opened = []; });
})();

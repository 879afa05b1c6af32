// Draws the figures of a page once it stands: the server's SVG is shown first and stays where this cannot run.
// A figure is an element with data-chart, the id of its JSON; inside it .fig-still holds the SVG and .fig-live
// takes the chart. Colours are read from the sheet's properties, so that a change of scheme only repaints.
(() => {
  const LIBRARY = "/lib/plotly.min.js";
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const coarse = matchMedia("(pointer: coarse)");
  let loading;

  // The library adds a sheet for maps, which the page's policy refuses with a complaint. It looks for this id
  // first; an empty element in its place keeps the console clean.
  const MAP_SHEET = "9f215cf04c5486422605d13261cb87401f4e7763b6296af81e98efbc0130da53";

  const library = () =>
    (loading ??= new Promise((resolve, reject) => {
      const nothing = document.createElement("meta");
      nothing.id = MAP_SHEET;
      document.head.append(nothing);
      const script = document.createElement("script");
      script.src = LIBRARY;
      script.onload = () => resolve(window.Plotly);
      script.onerror = reject;
      document.head.append(script);
    }));

  // Which property paints which part of a trace; "ahead" is what has not happened yet.
  const paints = {
    "band-50": (c) => ({ fillcolor: c("--band-1") }),
    "band-80": (c) => ({ fillcolor: c("--band-2") }),
    "band-95": (c) => ({ fillcolor: c("--band-3") }),
    points: (c) => ({ marker: { color: c("--ink-2") } }),
    level: (c) => ({ line: { color: c("--accent") } }),
    block: (c) => ({ marker: { color: c("--well") }, textfont: { color: c("--ink"), size: 12 } }),
    stress: (c) => ({ marker: { color: c("--column") } }),
    own: (c) => ({ marker: { color: c("--ink-3") } }),
    planned: (c) => ({ line: { color: c("--ink") } }),
    hatch: (c, trace) => ({
      marker: {
        color: c("--well"),
        pattern: {
          bgcolor: c("--well"),
          fgcolor: trace.customdata.map((kind) => c({ peak: "--ink", strength: "--ink-2" }[kind] ?? "--ink-3")),
        },
      },
    }),
  };

  const merged = (base, extra) => {
    const out = { ...base };
    for (const [key, value] of Object.entries(extra)) {
      const nested = value && typeof value === "object" && !Array.isArray(value);
      out[key] = nested ? merged(out[key] ?? {}, value) : value;
    }
    return out;
  };

  const painted = (figure, host) => {
    const style = getComputedStyle(host);
    const c = (name) => style.getPropertyValue(name).trim();
    const data = figure.data.map((trace) => {
      const [part, ...state] = trace.meta.split(" ");
      const faded = part.startsWith("band") || part === "stress" || part === "own" ? { opacity: 0.55 } : {};
      return merged(trace, { ...paints[part](c, trace), ...(state.length ? faded : {}) });
    });
    const ink = (name) =>
      ({ "finding act": c("--act"), "finding watch": c("--watch"), gap: c("--ink-3"), axis: c("--ink-3"), today: c("--ink"), none: c("--ink-2") })[name] ?? c("--ink");
    const axis = { gridcolor: c("--line"), linecolor: c("--line-strong"), zerolinecolor: c("--line-strong"), tickcolor: c("--line-strong") };
    const layout = merged(figure.layout, {
      paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: style.fontFamily, size: 12, color: c("--ink-2") },
      hoverlabel: { bgcolor: c("--panel"), bordercolor: c("--line-strong"), font: { color: c("--ink") } },
      modebar: { color: c("--ink-3"), activecolor: c("--accent"), bgcolor: "rgba(0,0,0,0)" },
      xaxis: axis,
      yaxis: axis,
      yaxis3: axis,
      // A finger on the chart scrolls the page; zooming by drag is for a mouse.
      dragmode: coarse.matches ? false : "zoom",
    });
    layout.shapes = layout.shapes.map((shape) => merged(shape, { line: { color: ink(shape.name), width: shape.name === "today" ? 1 : 2 } }));
    layout.annotations = layout.annotations.map((note) =>
      merged(note, { font: { color: ink(note.name), ...(note.name.startsWith("finding") ? { weight: 600 } : {}) } }),
    );
    return { data, layout };
  };

  // As much of each block's name as its width holds; a short block is told by its hatching and on hovering.
  const fitted = (live, names) => {
    const trace = live.data.findIndex((one) => one.meta === "block");
    if (trace < 0) return;
    const { range } = live.layout.xaxis;
    const { l, r } = live.layout.margin;
    const [from, to] = range.map((end) => (typeof end === "number" ? end : Date.parse(`${end.replace(" ", "T")}Z`.replace(/^(\d+-\d+-\d+)Z$/, "$1T00:00Z"))));
    const scale = (live.clientWidth - l - r) / (to - from);
    const text = names.map((name, i) => {
      const middle = live.data[trace].x[i];
      const half = live.data[trace].width[i] / 2;
      const shown = Math.min(middle + half, to) - Math.max(middle - half, from);
      // The label stands in the middle of the block; a block cut by the edge keeps none.
      if (shown < 2 * half * 0.99) return "";
      const fits = Math.floor((shown * scale - 6) / 6.6);
      return fits >= name.length ? name : fits >= 7 ? `${name.slice(0, fits - 1).trimEnd()}…` : "";
    });
    return window.Plotly.restyle(live, { text: [text] }, [trace]);
  };

  // Long words in two lines: at a comma, else at the space nearest to the middle.
  const inTwo = (text) => {
    if (text.length < 24) return text;
    const comma = text.indexOf(", ") + 1;
    const spaces = [...text.matchAll(/ /g)].map((found) => found.index);
    const middle = spaces.reduce((a, b) => (Math.abs(b - text.length / 2) < Math.abs(a - text.length / 2) ? b : a), spaces[0]);
    const at = comma || middle;
    return at ? `${text.slice(0, at)}<br>${text.slice(at + 1)}` : text;
  };

  // Only a part of the days is shown at first on a narrow screen, on a scale of its own.
  const narrowed = (figure, width) => {
    const { narrow: [from, to], stress } = figure.layout.meta;
    const [low, high] = figure.layout.yaxis.range;
    const values = figure.data
      .filter((one) => /^(points|band-95)/.test(one.meta))
      .flatMap((one) => one.y.filter((v, i) => v > low && v < high && one.x[i] >= from && one.x[i] <= to));
    const [least, most] = [Math.min(...values), Math.max(...values)];
    const pad = 0.06 * (most - least);
    const yaxis = values.length ? { range: [least - pad, most + 4 * pad] } : {};
    const layout = merged(figure.layout, { xaxis: { range: [from, to] }, yaxis, margin: { l: 36, r: 6 } });
    layout.annotations = layout.annotations.map((note) =>
      note.name.startsWith("finding")
        ? note.yref === "y3" ? note : { ...note, text: inTwo(note.text), align: note.xanchor, y: Math.min(note.y, most + pad) }
        : note.name === "axis" && note.y < 1 ? { ...note, text: width < 330 ? stress.split(";")[0] : stress } : note,
    );
    layout.shapes = layout.shapes.map((one) =>
      one.name.startsWith("finding") && one.yref !== "y3" ? { ...one, y0: Math.min(one.y0, most + pad), y1: Math.min(one.y1, most + pad) } : one,
    );
    return { ...figure, layout };
  };

  const draw = async (host) => {
    const still = host.querySelector(".fig-still");
    const live = host.querySelector(".fig-live");
    const whole = JSON.parse(document.getElementById(host.dataset.chart).textContent);
    const names = whole.data.find((one) => one.meta === "block")?.text ?? [];
    const figure = host.clientWidth < 600 ? narrowed(whole, host.clientWidth) : whole;
    const height = Math.max(still.getBoundingClientRect().height, 320);
    const plotly = await library();
    if (!host.isConnected) return;
    live.hidden = false;
    const { data, layout } = painted(figure, host);
    // The page must not jump: the chart takes the height that the still drawing had.
    await plotly.newPlot(live, data, { ...layout, height }, figure.config);
    still.hidden = true;
    await fitted(live, names);
    live.on("plotly_relayout", () => fitted(live, names));
    // Not an image: the chart's own buttons stand inside it.
    live.setAttribute("role", "group");
    live.setAttribute("aria-label", still.querySelector("svg").getAttribute("aria-label"));
    host.dataset.drawn = "yes";
    host.repaint = () => {
      const fresh = painted({ ...figure, data: live.data, layout: live.layout }, host);
      return plotly.react(live, fresh.data, fresh.layout, figure.config);
    };
  };

  const seen = new IntersectionObserver((entries) => {
    for (const { isIntersecting, target } of entries) {
      if (!isIntersecting) continue;
      seen.unobserve(target);
      // After the first paint and when nothing else is to be done: the library is large.
      const later = window.requestIdleCallback ?? ((run) => setTimeout(run, 200));
      later(() => draw(target).catch(() => (target.dataset.drawn = "no")), { timeout: 1500 });
    }
  });

  const watch = (root) => {
    const inside = root.querySelectorAll ? [...root.querySelectorAll("[data-chart]")] : [];
    if (root.matches?.("[data-chart]")) inside.push(root);
    for (const host of inside) if (!host.dataset.drawn) seen.observe(host);
  };

  const ready = () => watch(document);
  if (document.readyState === "complete") ready();
  else addEventListener("load", ready);
  document.addEventListener("htmx:afterSwap", (event) => watch(event.target));
  document.addEventListener("htmx:beforeCleanupElement", (event) => {
    for (const live of event.target.querySelectorAll?.(".fig-live") ?? []) window.Plotly?.purge(live);
  });
  // A page kept for the way back is kept as text: without the chart, whose inline styles the policy would refuse.
  document.addEventListener("htmx:beforeHistorySave", () => {
    for (const host of document.querySelectorAll("[data-drawn]")) {
      const live = host.querySelector(".fig-live");
      window.Plotly?.purge(live);
      live.replaceChildren();
      live.className = "fig-live";
      live.removeAttribute("style");
      live.hidden = true;
      host.querySelector(".fig-still").hidden = false;
      delete host.dataset.drawn;
    }
    // Where the library measures text; it makes itself another one for the next chart.
    document.getElementById("js-plotly-tester")?.remove();
  });
  document.addEventListener("htmx:historyRestore", () => watch(document));
  dark.addEventListener("change", () => {
    for (const host of document.querySelectorAll('[data-drawn="yes"]')) host.repaint();
  });
})();

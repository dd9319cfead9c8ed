"use strict";
// Draws the page's charts: those given whole, the day explorer, and the maps of day by hour.
(() => {
  const CONFIG = {
    displaylogo: false,
    showSendToCloud: false,
    responsive: true,
    // On a touch screen the buttons would always lie over the legend.
    displayModeBar: window.matchMedia("(pointer: coarse)").matches ? false : "hover",
    modeBarButtonsToRemove: ["lasso2d", "select2d", "autoScale2d"],
  };
  const PRINT_WIDTH_PX = 670; // A4 less its margins, at 96 dots per inch.
  const LEGEND_ROW_PX = 24, LEAST_DRAWN_PX = 180;
  const MISSING = -(2 ** 31);
  const $ = (id) => document.getElementById(id);
  const read = (element) => JSON.parse(element.textContent);
  const all = (selector) => Array.from(document.querySelectorAll(selector));
  let series; // The steps' figures, once unpacked.
  const redraws = []; // One function per chart, called again when the colours change.
  let printing = false;

  // What travels squeezed ------------------------------------------------------------------------
  const DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%&()*+-;<=>?@^_`{|}~"; // RFC 1924.
  const bytesOf = (text) => {
    const digits = text.replace(/\s/g, ""), values = new Uint8Array(128), over = (5 - digits.length % 5) % 5;
    for (let place = 0; place < 85; place += 1) values[DIGITS.charCodeAt(place)] = place;
    const bytes = new DataView(new ArrayBuffer((digits.length + over) / 5 * 4));
    for (let place = 0; place < digits.length; place += 5) {
      let word = 0;
      for (let next = place; next < place + 5; next += 1) word = word * 85 + (next < digits.length ? values[digits.charCodeAt(next)] : 84);
      bytes.setUint32(place / 5 * 4, word);
    }
    return new Uint8Array(bytes.buffer, 0, bytes.byteLength - over);
  };
  const unsqueezed = (element) => {
    if (typeof DecompressionStream === "undefined") throw new Error("this browser is too old to unpack them");
    const stream = new Blob([bytesOf(element.textContent)]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).text();
  };
  // The page's policy knows the library by its digest, so it runs as if it stood here, and nothing else does.
  const load = async () => {
    const script = document.createElement("script");
    [series, script.textContent] = await Promise.all([unsqueezed($("series")).then(JSON.parse), unsqueezed($("library"))]);
    document.head.append(script);
  };

  // Numbers as the reader writes them -------------------------------------------------------------
  // The page is written with 1,234.5; elsewhere marks are exchanged. Versions and hashes are no numbers of this kind.
  const marks = (() => {
    const parts = new Intl.NumberFormat(navigator.language + "-u-nu-latn").formatToParts(-1234567.5);
    const mark = (type, usual) => (parts.find((part) => part.type === type) || { value: usual }).value;
    return { group: mark("group", ""), decimal: mark("decimal", ".") };
  })();
  const theirs = marks.group !== "," || marks.decimal !== ".";
  const asWritten = (text) => theirs ? text.replace(/(?<![\w.,-])\d{1,3}(?:,\d{3})+(?:\.\d+)?(?!\w|[.,]\d)|(?<![\w.,-])\d+\.\d+(?!\w|[.,]\d)/g,
    (found) => found.replace(/[,.]/g, (mark) => mark === "," ? marks.group : marks.decimal)) : text;
  const rewrite = () => {
    if (!theirs) return;
    const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const node = walker.currentNode;
      if (!node.parentElement.closest("script, #provenance, #explorer")) node.nodeValue = asWritten(node.nodeValue);
    }
  };

  // Colours -------------------------------------------------------------------------------------
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
  const painted = (value) => {
    if (typeof value === "string") return value.startsWith("@") ? colour(value.slice(1)) : value;
    if (Array.isArray(value)) return value.map(painted);
    if (value && typeof value === "object")
      return Object.fromEntries(Object.entries(value).map(([key, entry]) => [key, painted(entry)]));
    return value;
  };
  const axis = () => ({
    gridcolor: colour("grid"), zerolinecolor: colour("quiet"), linecolor: colour("rule"),
    zeroline: false, automargin: true, fixedrange: false,
  });
  const merged = (base, extra) => {
    const result = { ...base };
    for (const [key, value] of Object.entries(extra || {}))
      result[key] = value && typeof value === "object" && !Array.isArray(value) ? merged(result[key] || {}, value) : value;
    return result;
  };
  const narrow = () => window.innerWidth < 560 && !printing;
  // The height that the page gives; what a legend adds is no part of it.
  const givenHeight = (element) => {
    if (!element.dataset.height) element.dataset.height = parseInt(element.style.height, 10);
    element.style.height = element.dataset.height + "px";
    return Number(element.dataset.height);
  };
  const layout = (element, extra) => merged({
    autosize: true,
    height: givenHeight(element),
    width: printing ? PRINT_WIDTH_PX : undefined,
    margin: { l: 8, r: narrow() ? 8 : 24, t: 8, b: 8 },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: "system-ui, sans-serif", size: narrow() ? 11 : 13, color: colour("ink") },
    hoverlabel: { bgcolor: colour("paper"), bordercolor: colour("quiet"), font: { color: colour("ink") } },
    modebar: { bgcolor: "rgba(0,0,0,0)", color: colour("quiet"), activecolor: colour("accent") },
    legend: { orientation: "h", x: 0, xanchor: "left", y: 1.02, yanchor: "bottom" },
    // A finger that scrolls the page must not zoom the chart.
    dragmode: window.matchMedia("(pointer: coarse)").matches ? false : "zoom",
    separators: marks.decimal + marks.group,
    xaxis: axis(), yaxis: axis(),
  }, painted(extra));
  // On a phone, figures beside bars need more of the axis, and long names two lines.
  const fitted = (traces, extra) => {
    const range = extra.xaxis && extra.xaxis.range;
    if (!narrow() || !range || extra.xaxis.type === "category") return [traces, extra];
    const more = 0.15 * (range[1] - range[0]);
    const wider = merged(extra, { xaxis: { range: [range[0] < 0 ? range[0] - more : 0, range[1] > 0 ? range[1] + more : 0], nticks: 4 } });
    const folded = (name) => typeof name !== "string" ? name : name.replace(/(.{9,}?) (?=.{4,})/g, "$1<br>");
    return [traces.map((trace) => ({ ...trace, y: trace.y.map(folded) })), wider];
  };
  // On a phone a legend takes rows, which are added to the chart's height and not taken from what is drawn.
  const roomFor = (element, height) => {
    const legend = narrow() && element.querySelector(".legend");
    const taken = legend ? Math.ceil(legend.getBoundingClientRect().height) - LEGEND_ROW_PX : 0;
    const rows = taken > 0 ? Math.max(taken, LEAST_DRAWN_PX - Math.floor(element._fullLayout._size.h)) : 0;
    if (element._fullLayout.height === height + rows) return element;
    element.style.height = height + rows + "px";
    return Plotly.relayout(element, { height: height + rows });
  };
  const draw = (element, givenTraces, givenExtra) => {
    const written = givenTraces.map((trace) => Array.isArray(trace.text) ? { ...trace, text: trace.text.map((text) => typeof text === "string" ? asWritten(text) : text) } : trace);
    const [traces, extra] = fitted(written, givenExtra);
    const finished = layout(element, extra);
    if (finished.width === undefined) delete finished.width;
    const drawn = Plotly.react(element, painted(traces), finished, CONFIG);
    return drawn.then(() => roomFor(element, finished.height));
  };

  // Embedded series -----------------------------------------------------------------------------
  // Differences in groups of seven bits, folded to 0, 1, 2 … for 0, -1, 1 …; a zero comes with its run.
  const unpack = ({ packed, quantum }) => {
    const bytes = atob(packed);
    const values = new Float64Array(series.steps);
    let place = 0, whole = 0, step = 0;
    const next = () => {
      let value = 0, weight = 1, byte;
      do {
        byte = bytes.charCodeAt(place++);
        value += (byte & 127) * weight;
        weight *= 128;
      } while (byte & 128);
      return value;
    };
    while (step < series.steps) {
      const folded = next();
      const run = folded === 0 ? next() : 1;
      whole = (whole + ((folded >>> 1) ^ -(folded & 1))) | 0;
      values.fill(whole === MISSING ? NaN : whole * quantum, step, step + run);
      step += run;
    }
    return values;
  };

  // Local clock: UTC of the step, moved by the distance in force at that step ---------------------
  const offsetAt = (step) => {
    let minutes = series.offsets[0][1];
    for (const [from, value] of series.offsets) if (from <= step) minutes = value;
    return minutes;
  };
  const wallClock = (step) => new Date(series.start_ms + (step * series.step_minutes + offsetAt(step)) * 60000);
  const two = (value) => String(value).padStart(2, "0");
  const clockText = (moment) => two(moment.getUTCHours()) + ":" + two(moment.getUTCMinutes());
  const number = (value, decimals) => {
    if (!Number.isFinite(value)) return "";
    const text = Math.abs(value).toLocaleString(navigator.language + "-u-nu-latn", { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
    return (value < 0 && /[1-9]/.test(text) ? "\u2212" : "") + text;
  };
  // The drawing library reads a little HTML in names; ours are words only.
  const asText = (words) => words.replaceAll("&", "&amp;").replaceAll("<", "&lt;");
  const inWords = (date) => new Date(date + "T00:00:00Z").toLocaleDateString("en-GB", {
    weekday: "long", day: "numeric", month: "long", year: "numeric", timeZone: "UTC",
  });

  // Day explorer --------------------------------------------------------------------------------
  const labelsOf = (first, count) => {
    const seen = new Set();
    return Array.from({ length: count }, (_, place) => {
      let text = clockText(wallClock(first + place));
      if (seen.has(text)) text += " again"; // The hour that comes twice when clocks go back.
      seen.add(text);
      return text;
    });
  };
  const hourTicks = (labels) => labels.filter((text) => /^\d\d:00$/.test(text) && Number(text.slice(0, 2)) % (narrow() ? 6 : 3) === 0);
  const traceOf = (entry, unit, labels, values) => {
    const shared = { x: labels, y: values, name: asText(entry.name), hovertemplate: "%{customdata} " + unit, customdata: values.map((value) => number(value * entry.sign, 3)) };
    if (entry.style === "bar")
      return { ...shared, type: "bar", marker: { color: entry.colour, line: { width: 0 } } };
    // A power or price holds for its step; an energy moves from one step's end to the next.
    const [style, level] = entry.style.split(" ");
    const line = { color: entry.colour, width: 2, shape: level || style === "area" ? "linear" : "hvh", dash: style === "line" || style === "area" ? "solid" : style };
    const filled = style === "area" ? { fill: "tozeroy" } : {};
    return { ...shared, type: "scatter", mode: "lines", line, ...filled };
  };
  // One strip a trace, under each other on the same scale: lines that are alike would hide each other.
  const inStrips = (traces, rangemode) => {
    const strip = 1 / traces.length;
    const layout = { showlegend: false, hoversubplots: "axis", annotations: [] };
    traces.forEach((trace, place) => {
      const key = place ? String(place + 1) : "";
      trace.yaxis = "y" + key;
      const top = 1 - place * strip;
      layout["yaxis" + key] = {
        ...axis(), domain: [top - 0.74 * strip, top - 0.2 * strip], zeroline: true, automargin: false, nticks: 3,
        ...(place ? { matches: "y" } : {}), rangemode,
      };
      layout.annotations.push({ text: trace.name, x: 0, xref: "paper", xanchor: "left", y: top - 0.2 * strip, yref: "paper", yanchor: "bottom", showarrow: false });
    });
    layout.xaxis = { anchor: "y" + (traces.length > 1 ? traces.length : "") };
    return layout;
  };
  const explorer = (columns) => {
    const panels = all("script[data-panel]").map((script) => ({ element: $(script.dataset.panel), ...read(script) }));
    const dates = series.days.map(([date]) => date);
    let chosen = Math.max(0, dates.indexOf($("explorer").dataset.chosen));

    const slice = (entry, first, count) =>
      Array.from(columns[entry.column].subarray(first, first + count), (value) => Number.isFinite(value) ? value * entry.sign : null);
    const drawPanels = () => {
      const [, first, count] = series.days[chosen];
      const labels = labelsOf(first, count);
      const ticks = hourTicks(labels);
      for (const panel of panels) {
        const traces = panel.traces.filter((entry) => columns[entry.column]).map((entry) => traceOf(entry, panel.unit, labels, slice(entry, first, count)));
        const rangemode = panel.unit === "V" ? "normal" : "tozero";
        const strips = panel.apart ? inStrips(traces, rangemode) : {};
        draw(panel.element, traces, merged({
          barmode: "relative", bargap: 0, hovermode: "x unified",
          xaxis: { type: "category", categoryorder: "array", categoryarray: labels, tickmode: "array", tickvals: ticks, ticktext: ticks, tickangle: 0, range: [-0.5, count - 0.5] },
          yaxis: { zeroline: true, rangemode },
          margin: { l: narrow() ? 36 : 48 }, // The same on every panel, so that hours stand under each other.
        }, strips));
        panel.element.setAttribute("aria-label", inWords(dates[chosen]) + ". " + panel.element.dataset.words);
      }
      return labels;
    };
    const words = () => {
      const [date, first, count] = series.days[chosen];
      const hours = series.step_minutes / 60;
      const kwh = (column) => columns[column] ? columns[column].subarray(first, first + count).reduce((sum, value) => sum + (value || 0), 0) * hours : null;
      const told = [["load", "site.load_kw"], ["solar", "site.solar_kw"], ["charged", "site.charge_kw"], ["discharged", "site.discharge_kw"], ["imported", "meter.import_kw"], ["exported", "meter.export_kw"]]
        .map(([name, column]) => [name, kwh(column)]).filter(([, value]) => value !== null)
        .map(([name, value]) => name + " " + number(value, 1));
      const length = count * hours;
      const odd = Math.abs(length - 24) > 1e-9 ? " (" + number(length, length % 1 ? 2 : 0) + " hours)" : "";
      $("day-words").textContent = inWords(date) + odd + (told.length ? ". kWh: " + told.join(", ") : "") + ".";
    };
    const table = (labels) => {
      const [, first, count] = series.days[chosen];
      const entries = [];
      for (const panel of panels)
        for (const entry of panel.traces)
          if (columns[entry.column] && !entries.some((other) => other.column === entry.column))
            entries.push({ ...entry, unit: panel.unit, decimals: entry.column.endsWith("_per_kwh") ? 4 : 2 });
      const built = document.createElement("table");
      const head = built.createTHead().insertRow();
      const cell = (row, tag, text, number_cell) => {
        const element = document.createElement(tag);
        element.textContent = text;
        if (number_cell) element.className = "number";
        if (tag === "th") element.scope = row === head ? "col" : "row";
        row.append(element);
      };
      cell(head, "th", "From");
      for (const entry of entries) cell(head, "th", entry.name + ", " + entry.unit, true);
      const body = built.createTBody();
      for (let place = 0; place < count; place += 1) {
        const row = body.insertRow();
        cell(row, "th", labels[place]);
        for (const entry of entries) cell(row, "td", number(columns[entry.column][first + place], entry.decimals), true);
      }
      $("day-table").replaceChildren(built);
    };
    const built = (heads, rows) => {
      const whole = document.createElement("table");
      const head = whole.createTHead().insertRow();
      for (const words of heads) head.append(Object.assign(document.createElement("th"), { textContent: words, scope: "col" }));
      const body = whole.createTBody();
      for (const cells of rows) {
        const row = body.insertRow();
        cells.forEach((words, place) => {
          const cell = document.createElement(place ? "td" : "th");
          cell.textContent = words;
          if (place === 0) cell.scope = "row";
          if (place === cells.length - 1) cell.className = "words";
          row.append(cell);
        });
      }
      return whole;
    };
    // Which mode ran when, and why: a row a stretch in which all three stay the same.
    const steered = $("steered") && read($("steered"));
    const spanOf = (name, first, stop) => {
      const [column, decimals] = steered.filled[name];
      const values = columns[column] ? Array.from(columns[column].subarray(first, stop)) : [NaN];
      if (!values.every(Number.isFinite)) return "";
      const [low, high] = [Math.min(...values), Math.max(...values)].map((value) => number(value, decimals));
      return low === high ? low : low + " to " + high;
    };
    const why = (reason, first, stop) => {
      const [head, tail] = steered.reasons[reason].split("|");
      const words = tail && spanOf("worth", first, stop) ? head + tail : head;
      return words.replace(/\{(\w+)\}/g, (_, name) => spanOf(name, first, stop));
    };
    const modes = (labels) => {
      const [, start, count] = series.days[chosen];
      const [ran, mode, reason] = ["ran", "mode", "reason"].map((name) => columns[steered[name]]);
      if (!ran || !mode || !reason) return;
      const rows = [];
      let first = start;
      for (let step = start + 1; step <= start + count; step += 1) {
        if (step < start + count && [ran, mode, reason].every((of) => of[step] === of[first])) continue;
        const until = step < start + count ? labels[step - start] : "24:00";
        rows.push([labels[first - start] + "\u2013" + until, steered.modes[mode[first]], why(reason[first], first, step), steered.names[ran[first]]]);
        first = step;
      }
      const several = new Set(rows.map((row) => row[3])).size > 1;
      const who = several ? "" : "Run by " + rows[0][3] + ".";
      $("day-modes").replaceChildren(built(several ? ["Time", "Run by", "Mode", "Why"] : ["Time", "Mode", "Why"],
        rows.map(([time, what, words, name]) => several ? [time, name, what, words] : [time, what, words])));
      $("day-modes-title").textContent = "Which mode ran, and why" + (who ? ": " + who.replace(/^R/, "r").replace(/\.$/, "") : "");
    };
    const show = () => {
      $("day").value = dates[chosen];
      $("day-before").disabled = chosen === 0;
      $("day-after").disabled = chosen === dates.length - 1;
      for (const button of all("[data-day]")) button.setAttribute("aria-pressed", String(button.dataset.day === dates[chosen]));
      words();
      const labels = drawPanels();
      if (steered) modes(labels);
      if ($("day-table").parentElement.open) table(labels);
    };
    const choose = (place) => { if (place >= 0 && place < dates.length) { chosen = place; show(); } };

    for (const panel of panels) panel.element.dataset.words = panel.element.getAttribute("aria-label");
    $("day").addEventListener("change", (event) => choose(dates.indexOf(event.target.value)));
    $("day-before").addEventListener("click", () => choose(chosen - 1));
    $("day-after").addEventListener("click", () => choose(chosen + 1));
    for (const button of all("[data-day]")) button.addEventListener("click", () => choose(dates.indexOf(button.dataset.day)));
    $("day-table").parentElement.addEventListener("toggle", show);
    if (narrow()) for (const list of all(".picks")) list.open = false;
    redraws.push(drawPanels);
    show();
  };

  // Maps of day by hour -------------------------------------------------------------------------
  const hourly = (plus, minus) => {
    const days = series.days.length;
    const sums = Array.from({ length: 24 }, () => new Float64Array(days));
    const counts = Array.from({ length: 24 }, () => new Float64Array(days));
    series.days.forEach(([, first, count], place) => {
      for (let step = first; step < first + count; step += 1) {
        const value = plus[step] - (minus ? minus[step] : 0);
        const hour = wallClock(step).getUTCHours();
        if (Number.isFinite(value)) { sums[hour][place] += value; counts[hour][place] += 1; }
      }
    });
    return sums.map((row, hour) => Array.from(row, (sum, place) => counts[hour][place] ? sum / counts[hour][place] : null));
  };
  const limits = (rows, scale) => {
    const sorted = rows.flat().filter((value) => value !== null).sort((one, other) => one - other);
    const at = (fraction) => sorted[Math.round(fraction * (sorted.length - 1))];
    if (scale === "two-sided") { const reach = Math.max(Math.abs(at(0.005)), Math.abs(at(0.995))) || 1; return [-reach, reach]; }
    return scale === "clipped" ? [at(0.02), at(0.98)] : [Math.min(0, at(0)), at(1)];
  };
  const drawMap = (element, given, columns) => {
    const rows = hourly(columns[given.plus], given.minus && columns[given.minus]);
    const [lowest, highest] = limits(rows, given.scale);
    const twoSided = [[0, "@export"], [0.5, "@grid"], [1, "@import"]];
    const decimals = given.unit.endsWith("per kWh") ? ".4f" : ".2f";
    const trace = {
      type: "heatmap", x: series.days.map(([date]) => date), y: rows.map((_, hour) => two(hour) + ":00"), z: rows,
      zmin: lowest, zmax: highest, colorscale: given.scale === "two-sided" ? twoSided : "Cividis",
      colorbar: { thickness: 12, outlinewidth: 0, len: 1, title: { text: given.unit, side: "right" } },
      hovertemplate: "%{x|%e %b %Y}, hour from %{y}: %{z:" + decimals + "} " + given.unit + "<extra></extra>",
    };
    const redraw = () => draw(element, [trace], {
      xaxis: { type: "date", showgrid: false, ticks: "outside", tickformatstops: [
        { dtickrange: [null, 2419200000], value: "%e %b" }, { dtickrange: [2419200000, null], value: "%b\n%Y" }] },
      yaxis: { type: "category", dtick: 6, showgrid: false },
    });
    redraws.push(redraw);
    redraw();
  };

  // Everything, once ----------------------------------------------------------------------------
  const start = () => {
    for (const script of all("script[data-chart]")) {
      const element = $(script.dataset.chart);
      const given = read(script);
      const redraw = () => draw(element, given.data, given.layout);
      redraws.push(redraw);
      redraw();
    }
    const columns = {};
    for (const [name, packed] of Object.entries(series.columns)) columns[name] = unpack(packed);
    if (series.left_out.length && $("series-note")) $("series-note").textContent = "Left out of the page to keep it light: " + series.left_out.join(", ") + ".";
    if ($("explorer")) explorer(columns);
    for (const script of all("script[data-map]")) {
      const given = read(script);
      if (columns[given.plus] && columns[given.plus].some(Number.isFinite)) drawMap($(script.dataset.map), given, columns);
    }
    document.documentElement.dataset.drawn = "all";
  };
  const redrawAll = () => redraws.forEach((redraw) => redraw());
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redrawAll);
  const forPrint = (value) => {
    printing = value;
    document.documentElement.classList.toggle("printing", value);
    redrawAll();
  };
  window.addEventListener("beforeprint", () => forPrint(true));
  window.addEventListener("afterprint", () => forPrint(false));
  const failed = (error) => {
    document.documentElement.dataset.drawn = "failed";
    const note = document.createElement("p");
    note.className = "warning";
    note.textContent = "Some charts could not be drawn: " + error.message + ". The tables hold the figures.";
    document.querySelector("main").prepend(note);
    console.error(error);
  };
  (async () => {
    rewrite();
    await load();
    start();
  })().catch(failed);
})();

"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent), words = data.words, rows = data.rows;
  const el = (id) => document.getElementById(id);
  const fill = (code, given) => words[code].replace(/\{(\w+)\}/g, (whole, name) => (name in (given || {}) ? given[name] : whole));
  const tenth = (value) => value.toFixed(1), whole = (value) => Math.round(value).toString();
  const sum = (list) => list.reduce((total, value) => total + value, 0), mean = (list) => sum(list) / list.length;
  const sd = (list) => { const m = mean(list); return Math.sqrt(sum(list.map((v) => (v - m) ** 2)) / (list.length - 1)); };
  const median = (list) => { const s = [...list].sort((a, b) => a - b), h = s.length >> 1; return s.length % 2 ? s[h] : (s[h - 1] + s[h]) / 2; };
  const show = (node, on) => { node.hidden = !on; };
  const make = (tag, text, name) => { const node = document.createElement(tag); if (text) node.textContent = text; if (name) node.className = name; return node; };

  // ---- what was read: `done` in the order of reading, each with the row of the form that it fills
  let kept = window.fieldKeep.load(data.key);
  const before = kept && kept.done ? kept.done.length : 0;
  if (!kept || !kept.done) kept = { setup: null, done: [], skipped: [] };
  let typed = "", current = null, keptAt = "";

  const readingOf = (row) => kept.done.find((one) => one.row === row && !one.again);
  const dueRow = () => rows.findIndex((_, row) => !readingOf(row) && !kept.skipped.includes(row));
  const nowRow = () => (current ? current.row : dueRow());
  const nominal = () => Number(kept.setup.nominal);
  const near = (ppm, should) => Math.abs(ppm - should) <= Math.max(should * data.allowedPct / 100, data.allowedPpm) + 1e-9;
  const stamp = () => { const d = new Date(), two = (n) => String(n).padStart(2, "0");
    return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}T${two(d.getHours())}:${two(d.getMinutes())}:${two(d.getSeconds())}`; };
  const store = async () => { if (await window.fieldKeep.keep(data.key, kept, text())) keptAt = stamp().slice(11, 16); keepState(); };

  // ---- the need, from the tables only
  const between = (at, x, y) => { let i = 1; while (i < x.length - 1 && at > x[i]) i += 1; return y[i - 1] + (at - x[i - 1]) / (x[i] - x[i - 1]) * (y[i] - y[i - 1]); };
  const needOf = (place, ppm, deep) => {
    const table = data.stages[kept.setup.stage];
    if (!table || ppm > data.most) return null;
    let need = between(ppm, table.ppm, table.need[place]);
    if (deep !== null && table.deepPpm.length) {
      const cell = (value) => Math.min(Math.floor(value / data.cell), Math.round(data.most / data.cell) - 1);
      if (deep > data.most || (table.odd && table.odd[cell(ppm)][cell(deep)] === "1")) return null;
      need += between(deep, table.deepPpm, table.deep[place]);
    }
    return Math.max(need, 0);
  };
  const places = () => {  // place → mean ppm of the top core, of the core below or null, and the need
    const found = new Map();
    for (const one of kept.done) {
      const row = rows[one.row];
      if (row.place < 0) continue;
      const at = found.get(row.place) || { top: [], deep: [] };
      (row.depth ? at.deep : at.top).push(one.ppm);
      found.set(row.place, at);
    }
    const known = new Map();
    for (const [place, at] of found) {
      if (!at.top.length) continue;
      const top = mean(at.top), deep = at.deep.length ? mean(at.deep) : null;
      known.set(place, { top, deep, need: needOf(place, top, deep) });
    }
    const below = [...known.values()].map((at) => at.deep).filter((deep) => deep !== null);  // stands for places without one, as in a build
    known.forEach((at, place) => { at.filled = at.deep === null && below.length ? needOf(place, at.top, mean(below)) : at.need; });
    return known;
  };
  const half = (list) => (list.length < 2 ? null : data.t[list.length - 2] * sd(list) / Math.sqrt(list.length));
  const halfOfNeed = (known) => {  // cores below at some places only: what they take off has a doubt of its own
    const every = [...known.entries()], some = every.filter(([, at]) => at.deep !== null);
    if (!some.length || some.length === every.length) return half(every.map(([, at]) => at.need));
    const bare = new Map(every.map(([place, at]) => [place, needOf(place, at.top, null)]));
    return Math.hypot(half([...bare.values()]), half(some.map(([place, at]) => bare.get(place) - at.need)) || 0);
  };

  // ---- slips, caught before a reading is kept
  const nearby = (place, known) => data.near[place].filter((other) => known.has(other)).map((other) => known.get(other).top);
  const unlike = (ppm, others) => { const m = median(others); return Math.abs(ppm - m) > 5 && (ppm > 2.5 * m || ppm < m / 2.5); };
  const last = () => kept.done[kept.done.length - 1];
  const slips = (number, ppm) => {
    const row = rows[number], known = places(), found = [], one = tenth(ppm);
    if (row.kind !== "field") return found;
    known.delete(row.depth ? -1 : row.place);
    const others = row.depth ? [] : nearby(row.place, known), all = [...known.values()].map((at) => at.top);
    const usual = others.length > 2 ? others : all;
    if (ppm > 100) found.push(fill("odd-high", { ppm: one }));
    if (row.depth) {
      const top = known.get(row.place);
      if (top && ppm > 1.5 * top.top + 5) found.push(fill("odd-deep", { ppm: one, top: tenth(top.top) }));
      return found;
    }
    const beside = rows[number + 1];
    if (usual.length > 1 && beside && ["standard", "duplicate"].includes(beside.kind) && near(ppm, nominal()) && !near(median(usual), nominal()) && Math.abs(ppm - median(usual)) > 4)
      found.push(fill("odd-standard", { ppm: one }));
    if (usual.length > 1 && ppm > 5 * median(usual) && !unlike(ppm / 10, usual)) found.push(fill("odd-decimal", { ppm: one }));
    else if (usual.length > 2 && unlike(ppm, usual)) found.push(fill("odd-neighbors", { ppm: one, near: tenth(median(usual)) }));
    const previous = last();
    if (previous && rows[previous.row].kind === "field" && previous.row !== number && previous.ppm === ppm && ppm % 1 !== 0)
      found.push(fill("odd-same", { ppm: one, other: rows[previous.row].name }));
    return found;
  };

  // ---- what a kept reading says of the others
  const sinceGood = (upTo) => {  // names read since the last good standard
    const names = [];
    for (let i = upTo - 1; i >= 0; i -= 1) {
      const one = kept.done[i], row = rows[one.row];
      if (row.kind === "standard" && near(one.ppm, one.nominal)) break;
      if (row.kind === "field") names.unshift(row.name);
    }
    return names;
  };
  const oneOff = (one, ppm, fits) => {  // the reading one row before or after that holds what belongs here
    const soil = kept.done.filter((other) => other !== one && rows[other.row].kind === "field" && !rows[other.row].depth);
    const at = kept.done.indexOf(one), fitting = soil.filter((other) => Math.abs(kept.done.indexOf(other) - at) <= 2 && fits(other.ppm));
    return fitting.length ? fill("shifted", { name: one.name, ppm: tenth(ppm), other: rows[fitting[0].row].name }) : "";
  };
  const afterwards = (one) => {
    const row = rows[one.row], at = kept.done.indexOf(one), bad = [], good = [];
    const first = { name: row.name, ppm: tenth(one.ppm), nominal: tenth(one.nominal || 0) };
    if (row.kind === "standard") {
      if (near(one.ppm, one.nominal)) good.push(fill("good-standard", first));
      else {
        const names = sinceGood(at), shift = names.length ? oneOff({ ...one, name: words.standard }, one.ppm, (ppm) => near(ppm, one.nominal)) : "";
        bad.push(shift || fill(names.length ? "bad-standard" : "bad-standard-first", { ...first, names: names.join(", ") }));
      }
      const share = kept.done.slice(0, at + 1).filter((other) => rows[other.row].kind === "standard").map((other) => other.ppm / other.nominal * 100);
      if (share.length > 3) {  // limits from those before: mean ± 3 · mean moving range ÷ 1.128
        const old = share.slice(0, -1), sigma = mean(old.slice(1).map((value, i) => Math.abs(value - old[i]))) / 1.128;
        if (Math.abs(share[share.length - 1] - mean(old)) > Math.max(3 * sigma, 2)) bad.push(words["chart-outside"]);
      }
    } else if (row.kind === "blank") {
      if (one.ppm > data.blankPpm) bad.push(fill("bad-blank", { ppm: first.ppm, limit: tenth(data.blankPpm) }));
    } else if (row.kind === "duplicate" || one.again) {
      const other = kept.done.find((two) => two !== one && rows[two.row].kind === "field" && rows[two.row].name === row.name);
      if (other) {
        const limit = Math.max(data.repeatPpm, 0.2 * (one.ppm + other.ppm) / 2), given = { ...first, first: tenth(other.ppm) };
        if (Math.abs(one.ppm - other.ppm) <= limit) good.push(fill("good-repeat", given));
        else bad.push(oneOff({ ...one, name: row.name }, one.ppm, (ppm) => ppm !== other.ppm && Math.abs(ppm - one.ppm) <= 0.5) || fill("bad-repeat", given));
      }
    }
    const tail = shiftedTail();
    if (tail) bad.push(tail);
    return { bad, good };
  };
  // Readings since some row, moved by one row: do neighbors then agree far better? By the mean size of the log steps.
  const shiftedTail = () => {
    const read = rows.map((row, number) => ({ row, number })).filter(({ row, number }) => row.kind === "field" && !row.depth && readingOf(number));
    if (read.length < 14) return "";
    const values = read.map(({ number }) => Math.log(Math.max(readingOf(number).ppm, 0.5))), index = new Map(read.map(({ row }, i) => [row.place, i]));
    const apart = (list, start) => {
      const steps = [];
      for (let i = start; i < list.length; i += 1) for (const other of data.near[read[i].row.place]) {
        const j = index.get(other);
        if (j !== undefined && (j < start || j < i) && Number.isFinite(list[i]) && Number.isFinite(list[j])) steps.push(Math.abs(list[i] - list[j]));
      }
      return steps.length < 8 ? NaN : mean(steps);
    };
    for (let start = 3; start <= read.length - 6; start += 1) {
      const now = apart(values, start);
      for (const way of [1, -1]) {
        const moved = values.map((value, i) => (i < start ? value : values[i + way] === undefined || i + way < start ? NaN : values[i + way]));
        if (apart(moved, start) < 0.4 * now && now > 0.25) return fill("shifted-tail", { name: read[start].row.name, way: words[way > 0 ? "way-up" : "way-down"] });
      }
    }
    return "";
  };

  // ---- the page
  const due = (number) => {
    if (number < 0) return ["", words.last];
    const row = rows[number];
    if (row.kind === "standard") return [words.standard, fill("standard-due", { nominal: tenth(nominal()) })];
    if (row.kind === "blank") return [words.blank, words["blank-due"]];
    if (row.kind === "duplicate") return [fill("duplicate", { name: row.name }), words["duplicate-due"]];
    return [row.name, fill("depth-due", { name: row.name, depth: row.depthText })];
  };
  const draw = () => {
    show(el("setup"), !kept.setup); show(el("work"), Boolean(kept.setup));
    if (!kept.setup) return;
    const number = nowRow(), [name, text] = due(number);
    el("place").textContent = name || words.last; el("todo").textContent = name ? text : "";
    el("where").textContent = number < 0 ? "" : [rows[number].where, rows[number].note].filter(Boolean).join(" · ");
    el("typed").textContent = typed || "–";
    const value = Number(typed), usable = number >= 0 && typed !== "" && Number.isFinite(value) && value <= 1000;
    el("save").disabled = !usable; el("save").textContent = usable ? fill("save", { value: String(value) }) : words["save-nothing"];
    show(el("keys"), number >= 0); show(el("skip"), number >= 0 && !current);
    const read = rows.filter((_, row) => readingOf(row)).length;
    el("progress").textContent = fill("progress", { done: read, all: rows.length });
    el("settled").textContent = [kept.setup.stage, kept.setup.date, kept.setup.instrument, tenth(nominal())].join(" · ");
    list(); chart(); so_far();
  };
  const so_far = () => {
    const known = places(), tops = [...known.values()].map((at) => at.top), needs = [...known.values()].map((at) => at.filled);
    const answers = [];
    if (tops.length) {
      const complete = needs.every((need) => need !== null), given = { places: tops.length, ppm: tenth(mean(tops)) };
      if (!complete) { if (tops.length > 1) answers.push(fill("mean-ppm", { ...given, half: tenth(half(tops)) })); }
      else if (tops.length === 1) answers.push(fill("mean-one", { ...given, need: tenth(needs[0]) }));
      else answers.push(fill("mean", { ...given, need: tenth(mean(needs)), half: tenth(halfOfNeed(known)) }));
      if (complete) answers.push(fill("doubt", { doubt: whole(data.doubt) }));
    }
    const number = dueRow(), to = rows.slice(number < 0 ? rows.length : number).find((row) => row.place >= 0 && row.kind === "field");
    if (to && tops.length) answers.push(worth(to, known));
    el("sofar").replaceChildren(...answers.map((text) => make("p", text)));
  };
  const worth = (to, known) => {
    const gain = data.gains[to.place], cost = data.worth ? data.worth.cost : null;
    let saving = gain;
    if (typeof saving !== "number") {
      const needs = [...known.entries()].filter(([, at]) => at.filled !== null), off = [];
      for (const [place, at] of needs) {
        const others = data.near[place].filter((other) => known.has(other) && known.get(other).filled !== null).map((other) => known.get(other).filled);
        if (others.length > 1) off.push(at.filled - mean(others));
      }
      const spread = off.length >= 6 ? Math.sqrt(mean(off.map((value) => value * value))) : needs.length > 3 ? sd(needs.map(([, at]) => at.filled)) : null;
      if (spread === null || !data.worth) return fill("worth-plain", { place: to.at }) + (data.worth ? "" : " " + words["worth-unknown"]);
      const steps = data.worth.saved.map((_, i) => i * data.worth.step);
      saving = between(Math.min(spread, steps[steps.length - 1]), steps, data.worth.saved);
    }
    if (cost === null) return fill("worth-plain", { place: to.at });
    return fill(saving >= cost ? "worth-go" : "worth-enough", { place: to.at, saving: whole(saving), cost: whole(cost) });
  };
  const list = () => {
    const next = nowRow();
    el("list").replaceChildren(...rows.map((row, number) => {
      const item = make("li"), button = make("button"), one = readingOf(number), [name] = due(number);
      button.type = "button";
      const told = one ? tenth(one.ppm) : number === next ? words["list-next"] : kept.skipped.includes(number) ? words["list-skipped"] : "";
      button.append(make("span", name), make("b", told));
      if (number === next) button.setAttribute("aria-current", "step");
      button.addEventListener("click", () => { current = { row: number }; typed = one ? String(one.ppm) : ""; ask([]); draw(); el("place").scrollIntoView(); });
      item.append(button);
      return item;
    }));
  };
  const chart = () => {
    const read = kept.done.filter((one) => rows[one.row].kind === "standard");
    show(el("charted"), read.length > 1);
    if (read.length < 2) return;
    const space = "http://www.w3.org/2000/svg", svg = el("chart"), x = (i) => 8 + i * 284 / Math.max(read.length - 1, 1);
    const y = (share) => 45 - Math.max(-2, Math.min(2, (share - 100) / data.allowedPct)) * 20;
    svg.replaceChildren();
    const line = (share, name) => { const node = document.createElementNS(space, "line"); for (const [key, value] of Object.entries({ x1: 0, x2: 300, y1: y(share), y2: y(share), class: name })) node.setAttribute(key, value); svg.append(node); };
    line(100, "middle"); line(100 + data.allowedPct, "limit"); line(100 - data.allowedPct, "limit");
    read.forEach((one, i) => { const dot = document.createElementNS(space, "circle"); for (const [key, value] of Object.entries({ cx: x(i), cy: y(one.ppm / one.nominal * 100), r: 5, class: near(one.ppm, one.nominal) ? "good" : "bad" })) dot.setAttribute(key, value); svg.append(dot); });
    el("charted-text").textContent = read.map((one) => whole(one.ppm / one.nominal * 100)).join(" · ");
  };
  const keepState = () => {
    const state = window.fieldKeep.state, node = el("state");
    node.className = state; node.textContent = state === "lost" ? words["not-kept"] : keptAt ? fill("kept", { time: keptAt }) : state === "unsure" ? words["keep-unsure"] : before ? fill("kept-before", { count: before }) : "";
    if (state === "unsure" && keptAt) node.textContent += " " + (window.fieldKeep.says || words["keep-unsure"]);
    show(node, Boolean(node.textContent));
  };
  addEventListener("field-keep", keepState);
  const ask = (texts) => {
    show(el("ask"), texts.length > 0);
    el("asked").replaceChildren(...texts.map((text) => make("p", text)));
    show(el("keys"), !texts.length && nowRow() >= 0);
    if (texts.length) el("fix").focus();
  };
  const answer = (one) => {
    const { bad, good } = afterwards(one), row = rows[one.row], told = [];
    if (row.place >= 0) {
      const at = places().get(row.place);
      if (at && at.need !== null) told.push(fill("need-here", { place: row.at, need: tenth(at.need) }));
      else if (at && !data.stages[kept.setup.stage]) told.push(data.whyNot[0] ? fill("need-never", { problem: data.whyNot[0], remedy: data.whyNot[1] }) : fill("need-stage", { stage: kept.setup.stage }));
      else if (at) told.push(words["need-none"]);
    }
    el("said").replaceChildren(...told.map((text) => make("p", text, "need")), ...good.map((text) => make("p", text)), ...bad.map((text) => make("p", text, "bad")));
    show(el("again"), bad.length > 0);
    el("again").textContent = row.kind === "standard" ? words["again-standard"] : words.again;
    el("again").onclick = () => { current = { row: one.row, again: true }; typed = ""; show(el("again"), false); draw(); };
  };
  const keep = () => {
    const number = nowRow(), row = rows[number], again = Boolean(current && current.again), old = again ? null : readingOf(number);
    const one = { row: number, ppm: Number(typed), at: stamp(), instrument: kept.setup.instrument, date: kept.setup.date };
    if (row.kind === "standard") one.nominal = nominal();
    if (again) one.again = true;
    if (old) { one.at = old.at; one.changed = stamp(); kept.done[kept.done.indexOf(old)] = one; } else kept.done.push(one);
    kept.skipped = kept.skipped.filter((other) => other !== number);
    typed = ""; current = null;
    store(); ask([]); draw(); answer(one);
    window.scrollTo(0, 0);
  };
  el("save").addEventListener("click", () => {
    const found = current && current.again ? [] : slips(nowRow(), Number(typed));
    if (found.length) ask(found); else keep();
  });
  el("accept").addEventListener("click", keep);
  el("fix").addEventListener("click", () => { typed = ""; ask([]); draw(); });
  el("skip").addEventListener("click", () => { kept.skipped.push(nowRow()); typed = ""; store(); draw(); });
  const press = (key) => {
    if (nowRow() < 0 || !el("ask").hidden || !kept.setup) return;
    if (key === "⌫") typed = typed.slice(0, -1);
    else if (key === ".") { if (!typed.includes(".")) typed = (typed || "0") + "."; }
    else if (typed.replace(".", "").length < 5) typed = (typed === "0" ? "" : typed) + key;
    draw();
  };
  for (const button of document.querySelectorAll("#pad button")) button.addEventListener("click", () => press(button.dataset.key));
  document.addEventListener("keydown", (event) => {
    if (/INPUT|SELECT|TEXTAREA/.test(event.target.tagName) || event.ctrlKey || event.metaKey || event.altKey) return;
    if (/^[0-9]$/.test(event.key)) press(event.key);
    else if (event.key === "." || event.key === ",") press(".");
    else if (event.key === "Backspace") press("⌫");
    else if (event.key === "Enter" && event.target === document.body && !el("save").disabled && el("ask").hidden) el("save").click();
  });

  // ---- the file
  const cell = (text) => (/[",\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text);
  const text = () => {
    const at = data.columns, order = [...kept.done].sort((a, b) => (a.at < b.at ? -1 : a.at > b.at ? 1 : 0));
    const lines = order.map((one) => {
      const cells = [...rows[one.row].cells];
      if (one.again && rows[one.row].kind === "field") cells[data.header.indexOf("kind")] = "duplicate";
      cells[at.nitrate_ppm] = String(one.ppm); cells[at.sampled_on] = one.date; cells[at.instrument] = one.instrument; cells[at.read_at] = one.at;
      if (one.nominal) cells[at.nominal_ppm] = String(one.nominal);
      return cells.map(cell).join(",");
    });
    return [data.header.map(cell).join(","), ...lines, ""].join("\n");
  };
  const file = () => new File([text()], data.saved, { type: "text/csv" });
  el("download").addEventListener("click", () => {
    const link = document.createElement("a"), url = URL.createObjectURL(file());
    link.href = url; link.download = data.saved; link.click();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
    el("saved").textContent = fill(data.added ? "download-add" : "download-after", { file: data.file, stage: kept.setup.stage });
  });
  const sharing = navigator.canShare && navigator.canShare({ files: [new File([""], "a.csv", { type: "text/csv" })] });
  show(el("share"), Boolean(sharing));
  el("share").addEventListener("click", () => navigator.share({ files: [file()] }).catch(() => {}));
  el("clear").addEventListener("click", () => {
    if (!window.confirm(fill("clear-sure", { count: kept.done.length }))) return;
    kept = { setup: null, done: [], skipped: [] }; typed = ""; current = null; store(); el("said").replaceChildren(); draw();
  });

  // ---- once before the first reading
  const form = el("setup"), today = stamp().slice(0, 10);
  const prefill = () => {
    const setup = kept.setup || { date: today };
    for (const name of ["stage", "date", "instrument", "nominal"]) if (setup[name]) form.elements[name].value = setup[name];
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const given = Object.fromEntries(["stage", "date", "instrument", "nominal"].map((name) => [name, form.elements[name].value.trim().replace(",", name === "nominal" ? "." : ",")]));
    const complete = Object.values(given).every(Boolean) && Number(given.nominal) > 0;
    el("setup-said").textContent = complete ? "" : words["setup-missing"];
    if (!complete) return;
    if (!given.date.startsWith(String(data.season)) && form.dataset.odd !== given.date) { form.dataset.odd = given.date; el("setup-said").textContent = fill("date-odd", { season: data.season }); return; }
    kept.setup = given; store(); draw();
  });
  el("change").addEventListener("click", () => { prefill(); show(form, true); show(el("work"), false); });
  prefill(); show(el("page"), true); draw(); keepState();
  if (window.fieldKeep.behind) store();
})();

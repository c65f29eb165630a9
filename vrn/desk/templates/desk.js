// What the desk's pages do beyond forms and links; every page works without it.
"use strict";
(() => {
  const told = (id) => { const part = document.getElementById(id); return part && JSON.parse(part.textContent); };
  const edge = told("kept"), review = told("review-at");
  if (edge) {  // the page of the field's edge: readings are kept by the desk, and on the phone while it is away
    const mark = "vrn-field ";
    let state = "sure", device = "", refused = false;
    try { device = localStorage.getItem(mark + "device") || crypto.getRandomValues(new Uint32Array(4)).join("-"); localStorage.setItem(mark + "device", device); } catch (error) { device = "device-" + Date.now(); }
    const unsent = (key, is) => { try { if (is === undefined) return Boolean(localStorage.getItem(`${mark}unsent ${key}`)); if (is) localStorage.setItem(`${mark}unsent ${key}`, "1"); else localStorage.removeItem(`${mark}unsent ${key}`); } catch (error) { /* not kept here */ } return false; };
    const own = (key) => { try { return JSON.parse(localStorage.getItem(mark + key)); } catch (error) { return null; } };
    let latest = null, sending = null;  // one at a time, and always the latest: an older state never comes after a newer
    const send = async () => {
      while (latest) {
        const [key, kept, text] = latest, now = latest;
        try {
          const answer = await fetch(edge.address, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ device, key, kept, text }), signal: AbortSignal.timeout(8000) });
          refused = answer.status === 403;
          if (!answer.ok) return false;
        } catch (error) { refused = false; return false; }
        if (latest === now) { latest = null; unsent(key, false); }
      }
      return true;
    };
    const sent = () => sending || (sending = send().finally(() => { sending = null; }));
    const again = async () => {
      if (!latest) return;
      if (await sent()) state = "sure";
      dispatchEvent(new Event("field-keep"));
    };
    setInterval(again, 4000);
    addEventListener("online", again);
    window.fieldKeep = {
      get state() { return state; },
      load(key) {
        const there = Object.values(edge.devices).filter((one) => one.key === key);
        const mine = there.find((one) => one.device === device) || there[there.length - 1], here = own(key);
        const count = (one) => (one && one.done ? one.done.length : -1);
        this.behind = Boolean(here) && (unsent(key) || count(here) > count(mine && mine.kept));  // kept here while the desk was away
        return this.behind ? here : mine ? mine.kept : null;
      },
      get says() { return state !== "unsure" ? "" : refused ? edge.closed : edge.away; },
      async keep(key, kept, text) {
        let here = true;
        try { localStorage.setItem(mark + key, JSON.stringify(kept)); } catch (error) { here = false; }
        unsent(key, true);
        latest = [key, JSON.parse(JSON.stringify(kept)), text];
        state = await sent() ? "sure" : here ? "unsure" : "lost";
        return state !== "lost";
      },
    };
  }
  if (review) {  // the map: a review goes into the field file
    window.reviewKeep = async (text) => {
      try {
        const answer = await fetch(review.address, { method: "POST", headers: { "content-type": "application/toml", "x-seen": review.seen }, body: text });
        const said = await answer.json();
        if (said.seen) review.seen = said.seen;
        return said;
      } catch (error) { return { kept: false, text: review.away }; }
    };
  }
  for (const zone of document.querySelectorAll(".drop")) {
    const input = zone.querySelector("input[type=file]");
    for (const kind of ["dragover", "dragleave", "drop"]) {
      zone.addEventListener(kind, (event) => { event.preventDefault(); zone.classList.toggle("over", kind === "dragover"); });
    }
    zone.addEventListener("drop", (event) => { input.files = event.dataTransfer.files; input.dispatchEvent(new Event("change", { bubbles: true })); });
  }
  const zoneMap = document.getElementById("zone-map");
  if (zoneMap) addEventListener("load", () => {  // zones drawn by hand: points go to the desk, which does the cutting
    const tools = document.getElementById("tools"), how = document.getElementById("tool-how");
    const map = L.map(zoneMap, { attributionControl: false, zoomControl: true, zoomAnimation: false, zoomSnap: 0.25, fadeAnimation: false, renderer: L.canvas() });
    const shapes = L.layerGroup().addTo(map), labels = L.layerGroup().addTo(map), marks = L.layerGroup().addTo(map);
    let points = [], picked = [], fitted = false;
    const tool = () => tools.elements.tool.value;
    const show = () => {
      marks.clearLayers();
      if (points.length) L.polyline(points, { color: "#c2410c", weight: 3 }).addTo(marks);
      for (const at of points) L.circleMarker(at, { radius: 5, color: "#fff", fillColor: "#c2410c", fillOpacity: 1, weight: 2 }).addTo(marks);
      const text = how.dataset[tool()] || "";
      how.textContent = picked.length ? `${text} ${picked.join(" + ")}` : text;
    };
    const press = (at, zone) => {
      if (tool() === "merge") { if (zone) picked = [...picked, zone].slice(-2); } else if (tool()) points.push(at);
      show();
    };
    const label = () => {  // number and rate where the zone has room for them, else its number, else nothing
      const part = document.getElementById("shapes");
      labels.clearLayers();
      for (const one of part ? JSON.parse(part.textContent) : []) {
        const [middle, edge] = [one.label, one.edge].map(([east, north]) => map.latLngToLayerPoint([north, east]));
        const room = middle.distanceTo(edge), content = [`${one.zone}: ${one.rate.split(" ")[0]}`, `${one.zone}`].find((text) => room > 4.5 * text.length + 6);
        if (content) L.tooltip([one.label[1], one.label[0]], { content, permanent: true, direction: "center", opacity: 1, className: "zone-label" }).addTo(labels);
      }
    };
    const draw = () => {
      const part = document.getElementById("shapes");
      if (!part) return;
      shapes.clearLayers();
      const whole = L.featureGroup();
      for (const one of JSON.parse(part.textContent)) {
        const layer = L.geoJSON(one.shape, { style: { color: "#1b1b18", weight: 1.5, fillColor: one.color, fillOpacity: 1 } });
        layer.on("click", (event) => { L.DomEvent.stop(event); press(event.latlng, one.zone); });
        layer.addTo(shapes); whole.addLayer(layer);
      }
      if (!fitted) { map.fitBounds(whole.getBounds(), { padding: [12, 12] }); fitted = true; }
      label();
    };
    const clear = () => { points = []; picked = []; show(); };
    const send = (given) => htmx.ajax("POST", tools.dataset.at, { target: "#sketch", swap: "outerHTML", values: given }).then(clear);
    map.on("zoomend", label);
    map.on("click", (event) => press(event.latlng, 0));
    zoneMap.addEventListener("keydown", (event) => { if (event.key === "Enter" && tool()) { event.preventDefault(); press(map.getCenter(), 0); } });
    tools.addEventListener("change", clear);
    document.getElementById("tool-clear").addEventListener("click", clear);
    document.getElementById("tool-done").addEventListener("click", () => {
      if (tool()) send({ tool: tool(), points: JSON.stringify(points.map((at) => [at.lng, at.lat])), zone: tool() === "merge" ? picked[0] || 0 : tools.elements.zone.value, other: picked[1] || 0 });
    });
    document.body.addEventListener("click", (event) => { if (event.target.id === "tool-undo") send({ tool: "undo" }); });
    for (const slider of document.querySelectorAll("#sliders input[type=range]")) slider.addEventListener("input", () => { slider.previousElementSibling.textContent = slider.value; });
    document.body.addEventListener("htmx:afterSwap", draw);
    draw();
  });
  const asked = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  const closed = asked && asked.closest("details");
  if (closed) { closed.open = true; asked.scrollIntoView({ block: "center" }); asked.focus({ preventScroll: true }); }
  const first = document.querySelector("[data-first]");  // what comes next, for the keyboard; the page stays where it is
  if (first && !location.hash) first.focus({ preventScroll: true });
  const follow = (part) => {
    const events = new EventSource(`/jobs/${part.dataset.job}/events`);
    events.addEventListener("step", (event) => { part.querySelector("[data-step]").textContent = event.data; });
    events.addEventListener("over", () => { events.close(); htmx.ajax("GET", part.dataset.over, { target: part, swap: "outerHTML" }); });
  };
  const arrived = () => {
    document.querySelectorAll("[data-job]").forEach(follow);
    const next = document.querySelector("[data-next]");
    if (next) location.replace(next.dataset.next);
  };
  document.body.addEventListener("htmx:afterSwap", arrived);
  arrived();
})();

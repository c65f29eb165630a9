(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("data").textContent);
  var say = function (name, values) {
    return data.words[name].replace(/\{(\w+)\}/g, function (_, place) { return values[place]; });
  };
  var byId = function (id) { return document.getElementById(id); };
  var all = function (query) { return Array.prototype.slice.call(document.querySelectorAll(query)); };
  var shown = data.layers[0].key;
  var beside = null;
  var chosen = data.first;
  var overlays = {};
  var pin = L.layerGroup([["#fff", 6], ["#000", 2.5]].map(function (look) {
    return L.circleMarker([0, 0], { radius: 8, color: look[0], weight: look[1], fill: false, interactive: false });
  }));
  var ink = "#1b1b18", paper = "#ffffff";
  var layerOf = function (key) { return data.layers.filter(function (layer) { return layer.key === key; })[0]; };

  /* the map: the later stands over the earlier */
  var looks = {
    "zones": { color: ink, weight: 1.5 },
    "far": { stroke: false, fillColor: "url(#hatch-far)", fillOpacity: 1, interactive: false },
    "gap": { stroke: false, fillColor: "url(#hatch-gap)", fillOpacity: 1, interactive: false },
    "no-apply": { color: ink, weight: 1, fillColor: "url(#hatch)", fillOpacity: 1 },
    "boundary": { color: ink, weight: 2, fill: false, interactive: false },
    "samples": { color: ink, weight: 1, dashArray: "4 4", fill: false },
    "labels": {},
    "strips": { color: paper, weight: 3, dashArray: "6 5", fill: false, interactive: false },
    "dropped": { color: ink, weight: 3, dashArray: "2 5", fill: false, interactive: false },
    "passes": { color: ink, weight: 1, opacity: 0.8, interactive: false }
  };
  var points = {
    "samples": { radius: 4, color: paper, weight: 1.5, fill: true, fillColor: ink, fillOpacity: 1 },
    "labels": { radius: 0, stroke: false, fill: false, interactive: false }
  };
  var map = L.map("map", { maxZoom: 21, zoomSnap: 0.25, zoomDelta: 0.5, fadeAnimation: false, attributionControl: Boolean(data.tiles) });
  map.fitBounds(data.bounds, { animate: false });
  if (data.tiles) { L.tileLayer(data.tiles, { attribution: data.words.background, maxZoom: 21 }).addTo(map); }
  data.layers.forEach(function (layer) {
    if (layer.url) { layer.picture = L.imageOverlay(layer.url, data.bounds, { alt: layer.title }); }
  });
  var shapes = {};
  Object.keys(looks).forEach(function (key) {
    if (!data.shapes[key]) { return; }
    shapes[key] = L.geoJson(data.shapes[key], {
      smoothFactor: 0.5,
      style: function (feature) { return feature.geometry.type === "Point" ? points[key] : looks[key]; },
      pointToLayer: function (_, latlng) { return L.circleMarker(latlng, points[key]); }
    }).addTo(map);
  });
  var zones = shapes.zones;
  window.fieldMap = { map: map, shapes: shapes };
  function styleOf(key, lines) {
    return function (feature) {
      var mine = feature.properties.zone === chosen;
      return {
        fillColor: feature.properties.color, fillOpacity: key === "rate" ? data.fill : 0,
        color: ink, weight: mine ? 4 : 1.5, opacity: lines ? 1 : 0, stroke: lines
      };
    };
  }
  function draw() {
    data.layers.forEach(function (layer) {
      if (layer.picture) { map[layer.key === shown ? "addLayer" : "removeLayer"](layer.picture); }
    });
    zones.setStyle(styleOf(shown, overlays.zones !== false));
    zones.eachLayer(function (zone) { if (zone.feature.properties.zone === chosen) { zone.bringToFront(); } });
    ["far", "gap", "no-apply", "boundary", "samples"].forEach(function (key) { if (shapes[key] && map.hasLayer(shapes[key])) { shapes[key].bringToFront(); } });
    if (beside) { beside.draw(); }
    crowd();
    var two = byId("beside-it").value;
    all(".key").forEach(function (key) { key.hidden = key.dataset.key !== shown && key.dataset.key !== two; });
  }
  function crowd() {
    var near = map.getZoom() >= data.zoom + 1;
    var values = overlays.samples && (near || (shown !== "rate" && !data.crowded));
    map.getContainer().classList.toggle("no-values", !values);
    map.getContainer().classList.toggle("values", Boolean(values) && shown !== "rate");
    apart();
  }
  function apart() {
    var kept = [];
    shapes.labels.eachLayer(function (point) {
      var tag = point.getTooltip() && point.getTooltip().getElement();
      if (!tag) { return; }
      tag.style.visibility = "";
      var box = tag.getBoundingClientRect();
      var covers = kept.some(function (other) {
        return box.left < other.right && other.left < box.right && box.top < other.bottom && other.top < box.bottom;
      });
      if (covers) { tag.style.visibility = "hidden"; } else { kept.push(box); }
    });
  }
  map.on("zoomend", crowd);
  function tag(text, kind) {
    var span = document.createElement(kind);
    span.textContent = text;
    return span;
  }
  shapes.labels.eachLayer(function (point) {
    point.bindTooltip(tag(point.feature.properties.label, "b"), { permanent: true, direction: "center", className: "tag", opacity: 1 });
  });
  shapes.samples.eachLayer(function (place) {
    if (!place.getLatLng) { return; }
    place.bindTooltip(tag(place.feature.properties.label, "span"), { permanent: true, direction: "right", offset: [3, 0], className: "core", opacity: 1 });
  });
  all("[data-overlay]").forEach(function (box) {
    var key = box.dataset.overlay;
    var set = function () {
      overlays[key] = box.checked;
      map[box.checked ? "addLayer" : "removeLayer"](shapes[key === "zones" ? "labels" : key]);
    };
    box.addEventListener("change", function () { set(); draw(); });
    set();
  });

  /* two layers side by side */
  function second() {
    var other = L.map("beside", { zoomSnap: 0.25, zoomControl: false, attributionControl: false });
    var outlines = L.geoJson(zones.toGeoJSON(), { interactive: false }).addTo(other);
    var picture = null;
    var busy = false;
    var follow = function (from, to) {
      from.on("move", function () {
        if (busy) { return; }
        busy = true;
        to.setView(from.getCenter(), from.getZoom(), { animate: false });
        busy = false;
      });
    };
    other.setView(map.getCenter(), map.getZoom(), { animate: false });
    follow(map, other);
    follow(other, map);
    other.on("click", function (event) { choosePlace(event.latlng); });
    return {
      map: other,
      draw: function () {
        var layer = layerOf(byId("beside-it").value);
        if (!layer) { return; }
        if (picture) { picture.remove(); picture = null; }
        if (layer.url) { picture = L.imageOverlay(layer.url, data.bounds).addTo(other); }
        outlines.setStyle(styleOf(layer.key, true));
      }
    };
  }
  byId("show").addEventListener("change", function (event) { shown = event.target.value; draw(); });
  byId("beside-it").addEventListener("change", function (event) {
    byId("beside-pane").hidden = !event.target.value;
    document.documentElement.classList.toggle("two", Boolean(event.target.value));
    fit();
    if (event.target.value && !beside) { beside = second(); }
    if (beside) { beside.map.invalidateSize({ animate: false }); }
    draw();
  });

  /* why this rate */
  function inside(latlng, geometry) {
    var polygons = geometry.type === "Polygon" ? [geometry.coordinates] : geometry.coordinates;
    var odd = false;
    polygons.forEach(function (rings) {
      rings.forEach(function (ring) {
        for (var i = 0, j = ring.length - 1; i < ring.length; j = i++) {
          var a = ring[i], b = ring[j];
          if ((a[1] > latlng.lat) !== (b[1] > latlng.lat) &&
              latlng.lng < (b[0] - a[0]) * (latlng.lat - a[1]) / (b[1] - a[1]) + a[0]) { odd = !odd; }
        }
      });
    });
    return odd;
  }
  function within(layers, latlng) {
    var found = null;
    layers.eachLayer(function (layer) {
      if (layer.feature && /Polygon/.test(layer.feature.geometry.type) && inside(latlng, layer.feature.geometry)) { found = layer.feature; }
    });
    return found;
  }
  var pixels = {};
  function levels(layer) {
    if (pixels[layer.key]) { return pixels[layer.key]; }
    var image = layer.image;
    if (!image.naturalWidth) { return null; }
    var canvas = document.createElement("canvas");
    canvas.width = image.naturalWidth;
    canvas.height = image.naturalHeight;
    var pen = canvas.getContext("2d");
    pen.drawImage(image, 0, 0);
    pixels[layer.key] = pen.getImageData(0, 0, canvas.width, canvas.height);
    return pixels[layer.key];
  }
  data.layers.forEach(function (layer) {
    if (!layer.url) { return; }
    layer.image = new Image();
    layer.image.src = layer.url;
  });
  function valueAt(layer, latlng) {
    var found = levels(layer);
    if (!found) { return null; }
    var box = L.latLngBounds(data.bounds);
    var x = Math.floor((latlng.lng - box.getWest()) / (box.getEast() - box.getWest()) * found.width);
    var y = Math.floor((box.getNorth() - latlng.lat) / (box.getNorth() - box.getSouth()) * found.height);
    if (x < 0 || y < 0 || x >= found.width || y >= found.height) { return null; }
    var at = 4 * (y * found.width + x);
    if (found.data[at + 3] === 0) { return null; }
    if (layer.low === layer.high) { return layer.low; }
    var ramp = data.ramps[layer.ramp], best = 0, least = Infinity;
    for (var k = 0; k < ramp.length; k++) {
      var off = Math.abs(ramp[k][0] - found.data[at]) + Math.abs(ramp[k][1] - found.data[at + 1]) + Math.abs(ramp[k][2] - found.data[at + 2]);
      if (off < least) { least = off; best = k; }
    }
    return layer.low + best / (ramp.length - 1) * (layer.high - layer.low);
  }
  function here(latlng) {
    var said = [];
    data.layers.forEach(function (layer) {
      if (!layer.url || /_se$/.test(layer.key)) { return; }
      var value = valueAt(layer, latlng);
      if (value === null) { return; }
      var error = layerOf(layer.key + "_se");
      var doubt = error ? valueAt(error, latlng) : null;
      said.push(layer.title.toLowerCase() + " " + value.toFixed(layer.decimals) + (doubt === null ? "" : " ± " + doubt.toFixed(layer.decimals)) + " " + layer.unit);
    });
    return said.length ? say("here", { values: said.join(", ") }) : "";
  }
  function chooseZone(zone, words) {
    chosen = zone;
    all("[data-because]").forEach(function (part) { part.classList.toggle("on", Number(part.dataset.because) === zone); });
    all("[data-zone]").forEach(function (button) { button.setAttribute("aria-pressed", String(Number(button.dataset.zone) === zone)); });
    byId("place").textContent = words;
    draw();
  }
  function choosePlace(latlng) {
    pin.addTo(map).eachLayer(function (ring) { ring.setLatLng(latlng).bringToFront(); });
    var zone = within(zones, latlng);
    if (zone) { chooseZone(zone.properties.zone, here(latlng) || say("whole-zone", { zone: zone.properties.zone })); return; }
    byId("place").textContent = say(within(shapes["no-apply"], latlng) ? "no-nitrogen-here" : "outside");
  }
  all("[data-zone]").forEach(function (button) {
    button.addEventListener("click", function () { pin.remove(); chooseZone(Number(button.dataset.zone), say("whole-zone", { zone: button.dataset.zone })); });
  });
  map.on("click", function (event) { choosePlace(event.latlng); });
  map.getContainer().addEventListener("keydown", function (event) {
    if (event.key === "Enter" && event.target === map.getContainer()) { choosePlace(map.getCenter()); }
  });

  /* review: sums of the table that came with the page */
  var form = byId("review");
  var field = function (name) { return form.elements[name]; };
  var near = function (value) { return String(Math.round(value * 10) / 10); };
  function read() {
    var answer = { overrides: [], wrong: false, changed: false, n: 0, product: 0, area: 0 };
    data.rates.forEach(function (row) {
      var text = field("rate-" + row.zone).value.trim();
      var changed = text !== row.shown;
      var typed = Number(text) / data.factor;
      var rate = changed ? Math.round(typed / data.step) * data.step : row.rate;
      var reason = field("reason-" + row.zone).value.trim();
      var kept = !changed && row.reason !== null;
      var wrong = "";
      if (changed) {
        if (text === "" || !isFinite(rate)) { wrong = say("no-number"); }
        else if (typed < 0 || typed > row.most + 0.05 || rate > row.most + 1e-6) { wrong = say("out-of-range", row); }
        else if (rate > 0 && rate < row.least - 1e-6) { wrong = say("too-low", row); }
        else if (!reason) { wrong = say("no-reason"); }
      } else if (kept && !reason) { wrong = say("no-reason"); }
      else if (reason && !kept) { wrong = say("reason-alone"); }
      var counted = changed && !wrong && Math.abs(rate - typed) * data.factor > 0.06;
      byId("wrong-" + row.zone).textContent = wrong || (counted ? say("counted", { rate: near(rate * data.factor), steps: data.steps }) : "");
      if (wrong) { answer.wrong = true; }
      if ((changed || kept) && !wrong) {
        answer.overrides.push({ zone: row.zone, rate: Math.round((kept ? row.set : rate) * data.factor * 1e6) / 1e6, reason: reason, outline: row.outline });
      }
      if (changed) { answer.changed = true; }
      var product = changed ? rate / data.perUnit : row.product;
      answer.n += rate * row.acres;
      answer.product += product * row.acres;
      answer.area += row.acres;
      all('[data-rate="' + row.zone + '"]').forEach(function (cell) { cell.textContent = changed ? near(rate * data.factor) : row.shown; });
      all('[data-product="' + row.zone + '"]').forEach(function (cell) { cell.textContent = changed ? (product * data.productFactor).toFixed(1) : row.productShown; });
    });
    answer.by = field("approved_by").value.trim();
    answer.on = field("approved_on").value;
    answer.note = field("note").value.trim();
    var sign = Boolean(answer.by) !== Boolean(answer.on) ? say("half-signed") : "";
    if (!sign && data.approved && answer.changed && !answer.by) { sign = say("sign-again"); }
    byId("wrong-sign").textContent = sign;
    if (sign) { answer.wrong = true; }
    return answer;
  }
  var plain = function (value, decimals) { return isFinite(value) ? value.toLocaleString("en-US", { minimumFractionDigits: decimals, maximumFractionDigits: decimals }) : data.words.unknown; };
  function sum() {
    var answer = read();
    byId("total-n").textContent = plain(answer.n * data.massFactor, 0) + " " + data.massUnit;
    if (byId("total-product")) byId("total-product").textContent = plain(answer.product * data.tankFactor, 0) + " " + data.tankUnit;
    byId("mean-rate").textContent = plain(answer.area ? answer.n / answer.area * data.factor : 0, 1) + " " + data.rateUnit;
    byId("saved").textContent = "";
    return answer;
  }
  function quoted(text) {
    return JSON.stringify(text.replace(/\p{Surrogate}/gu, "\ufffd")).replace(/\u007f/g, "\\u007f");
  }
  function toml(answer) {
    var lines = ["# " + data.about.replace(/[\u0000-\u001f\u007f]/g, " "), "[review]"];
    if (answer.by) { lines.push("approved_by = " + quoted(answer.by), "approved_on = " + answer.on); }
    if (answer.by && data.id) { lines.push("approved_id = " + quoted(data.id)); }
    if (answer.note) { lines.push("note = " + quoted(answer.note)); }
    if (data.id) { lines.push("made_from = " + quoted(data.madeFrom)); }
    answer.overrides.forEach(function (one) {
      lines.push("", "[[review.override]]", "zone = " + one.zone, (data.metric ? "rate_n_kg_ha = " : "rate_n_lb_ac = ") + one.rate, "reason = " + quoted(one.reason));
      if (answer.by && data.id) { lines.push("by = " + quoted(answer.by)); }
      if (one.outline.length) { lines.push("outline = " + JSON.stringify(one.outline)); }
    });
    return lines.join("\n") + "\n";
  }
  form.addEventListener("input", sum);
  form.addEventListener("submit", function (event) {
    event.preventDefault();
    var answer = sum();
    if (answer.wrong) {
      byId("saved").textContent = say("not-saved");
      return;
    }
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([toml(answer)], { type: "application/toml" }));
    link.download = data.file;
    link.click();
    byId("saved").textContent = say("saved", data);
  });

  L.control.scale({ metric: data.metric, imperial: !data.metric }).addTo(map);
  function fit() {
    map.invalidateSize({ animate: false });
    map.fitBounds(data.bounds, { animate: false, padding: [10, 10] });
    data.zoom = map.getZoom();
  }
  fit();
  window.addEventListener("beforeprint", function () {
    all(".more details, .because details").forEach(function (part) { part.open = true; });
  });
  chooseZone(chosen, byId("place").textContent);
  sum();
})();

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
  var ink = "#1b1b18", paper = "#ffffff";
  var layerOf = function (key) { return data.layers.filter(function (layer) { return layer.key === key; })[0]; };
  var rowOf = {};
  data.rates.forEach(function (row) { rowOf[row.zone] = row; });

  /* the map: panes from below to the top; only the map itself is pressed */
  var looks = {
    "far": { stroke: false, fillColor: "url(#hatch-far)", fillOpacity: 1 },
    "gap": { stroke: false, fillColor: "url(#hatch-gap)", fillOpacity: 1 },
    "no-apply": { color: ink, weight: 1, fillColor: "url(#hatch)", fillOpacity: 1 },
    "areas": { color: ink, weight: 1, dashArray: "4 4", fill: false },
    "boundary": { color: ink, weight: 2, fill: false },
    "strips": { color: paper, weight: 3, dashArray: "6 5", fill: false },
    "dropped": { color: ink, weight: 3, dashArray: "2 5", fill: false },
    "passes": { color: ink, weight: 1, opacity: 0.8 }
  };
  var map = L.map("map", { maxZoom: 21, zoomSnap: 0.25, zoomDelta: 0.5, fadeAnimation: false, zoomControl: false, attributionControl: Boolean(data.tiles) });
  ["lines", "points", "pin"].forEach(function (name, k) {
    var pane = map.createPane(name);
    pane.style.zIndex = 410 + 10 * k;
    pane.style.pointerEvents = "none";
  });
  fit();
  if (data.tiles) { L.tileLayer(data.tiles, { attribution: data.words.background, maxZoom: 21 }).addTo(map); }
  if (data.photo) {
    map.createPane("photo").style.zIndex = 250;
    var photo = L.imageOverlay(data.photo.url, data.photo.bounds, { pane: "photo", alt: "" }).addTo(map);
    byId("dim").addEventListener("input", function (event) { photo.setOpacity(event.target.value / 100); });
  }
  data.layers.forEach(function (layer) {
    if (layer.url) { layer.picture = L.imageOverlay(layer.url, data.bounds, { alt: layer.title, opacity: data.fill }); }
  });
  function zonesOn(target, pane) {
    var make = function (where) { return L.geoJson(data.shapes.zones, { interactive: false, smoothFactor: 0.5, pane: where }).addTo(target); };
    var fills = make("overlayPane"), lines = make(pane);
    var wide = function (zone) { return zone.properties.zone === chosen ? 4 : 1.5; };
    return {
      fills: fills,
      draw: function (key, on) {
        fills.setStyle(function (zone) { return { stroke: on, color: paper, weight: wide(zone) + 2.5, fillColor: rowOf[zone.properties.zone].color, fillOpacity: key === "rate" ? data.fill : 0 }; });
        lines.setStyle(function (zone) { return { fill: false, stroke: on, color: ink, weight: wide(zone) }; });
        [fills, lines].forEach(function (drawn) {
          drawn.eachLayer(function (zone) { if (on && zone.feature.properties.zone === chosen) { zone.bringToFront(); } });
        });
      }
    };
  }
  data.shapes.zones.forEach(function (zone) { rowOf[zone.properties.zone].color = zone.properties.color; });
  var drawnZones = zonesOn(map, "lines");
  var shapes = { zones: drawnZones.fills };
  Object.keys(looks).forEach(function (key) {
    if (!data.shapes[key]) { return; }
    var under = key === "boundary" ? [{ color: paper, weight: 4.5, fill: false }, looks[key]] : [looks[key]];
    shapes[key] = L.featureGroup(under.map(function (look) {
      return L.geoJson(data.shapes[key], { interactive: false, smoothFactor: 0.5, pane: "lines", style: look });
    })).addTo(map);
  });
  shapes.labels = L.geoJson(data.shapes.labels, {
    pointToLayer: function (_, latlng) { return L.circleMarker(latlng, { radius: 0, stroke: false, fill: false, interactive: false }); }
  }).addTo(map);
  var zones = shapes.zones;
  var pin = L.layerGroup([[paper, 7], [ink, 3]].map(function (look) {
    return L.circleMarker([0, 0], { radius: 9, color: look[0], weight: look[1], fill: false, interactive: false, pane: "pin" });
  }));
  var used = data.points.used, out = data.points.out;
  used.concat(out).forEach(function (sample) { sample.at = L.latLng(sample[1], sample[0]); });
  var placeOf = function (sample) { return sample.at; };

  /* samples on one canvas: a thousand of them are one picture, their numbers only where they are seen and fit */
  var Points = L.Layer.extend({
    onAdd: function (target) {
      this.canvas = L.DomUtil.create("canvas", "leaflet-zoom-hide", target.getPane("points"));
      target.on("zoomend resize", this.draw, this);
      target.on("moveend", this.follow, this);
      this.draw();
    },
    onRemove: function (target) {
      target.off("zoomend resize", this.draw, this);
      target.off("moveend", this.follow, this);
      this.canvas.remove();
    },
    follow: function () {  // a pan that stays on what is drawn needs no new picture
      var seen = L.bounds(map.containerPointToLayerPoint([0, 0]), map.containerPointToLayerPoint(map.getSize()));
      if (!this.drawn.contains(seen)) { this.draw(); }
    },
    draw: function () {
      var size = map.getSize(), edge = size.multiplyBy(0.3).round(), sharp = window.devicePixelRatio || 1, pen = this.canvas.getContext("2d");
      var wide = size.x + 2 * edge.x, high = size.y + 2 * edge.y, corner = map.containerPointToLayerPoint([-edge.x, -edge.y]);
      this.canvas.width = wide * sharp;
      this.canvas.height = high * sharp;
      this.canvas.style.width = wide + "px";
      this.canvas.style.height = high + "px";
      this.drawn = L.bounds(corner, corner.add([wide, high]));
      L.DomUtil.setPosition(this.canvas, corner);
      pen.scale(sharp, sharp);
      var at = function (sample) { return map.latLngToLayerPoint(placeOf(sample)).subtract(corner); };
      var seen = function (p) { return p.x > -9 && p.y > -9 && p.x < wide + 9 && p.y < high + 9; };
      var drawn = used.map(function (sample) { return [at(sample), sample[3]]; }).filter(function (one) { return seen(one[0]); });
      pen.fillStyle = ink;
      pen.strokeStyle = paper;
      pen.lineWidth = 1.5;
      drawn.forEach(function (one) {
        pen.beginPath();
        pen.arc(one[0].x, one[0].y, 4, 0, 2 * Math.PI);
        pen.fill();
        pen.stroke();
      });
      out.map(at).filter(seen).forEach(function (p) {
        [[paper, 5], [ink, 2]].forEach(function (look) {
          pen.strokeStyle = look[0];
          pen.lineWidth = look[1];
          pen.beginPath();
          pen.moveTo(p.x - 5, p.y - 5);
          pen.lineTo(p.x + 5, p.y + 5);
          pen.moveTo(p.x + 5, p.y - 5);
          pen.lineTo(p.x - 5, p.y + 5);
          pen.stroke();
        });
      });
      this.numbers = this.labelled ? this.label(pen, drawn) : 0;
    },
    label: function (pen, drawn) {
      var taken = {}, count = 0;
      pen.font = "11px sans-serif";
      pen.textBaseline = "middle";
      drawn.forEach(function (one) {
        var p = one[0], wide = 7 * one[1].length + 3, cells = [];
        for (var x = Math.floor((p.x - 4) / 16); x <= Math.floor((p.x + 6 + wide) / 16); x++) {
          for (var y = Math.floor((p.y - 7) / 16); y <= Math.floor((p.y + 7) / 16); y++) { cells.push(1e4 * y + x); }
        }
        if (cells.some(function (cell) { return taken[cell]; })) { return; }
        cells.forEach(function (cell) { taken[cell] = true; });
        pen.fillStyle = paper;
        pen.fillRect(p.x + 6, p.y - 7, wide, 14);
        pen.fillStyle = ink;
        pen.fillText(one[1], p.x + 8, p.y + 0.5);
        count += 1;
      });
      return count;
    }
  });
  shapes.samples = new Points();
  window.fieldMap = { map: map, shapes: shapes };
  function draw() {
    data.layers.forEach(function (layer) {
      if (layer.picture) { map[layer.key === shown ? "addLayer" : "removeLayer"](layer.picture); }
    });
    drawnZones.draw(shown, overlays.zones !== false);
    ["far", "gap", "no-apply", "areas", "boundary"].forEach(function (key) { if (shapes[key] && map.hasLayer(shapes[key])) { shapes[key].bringToFront(); } });
    if (beside) { beside.draw(); }
    crowd();
    var two = byId("beside-it").value;
    all(".key").forEach(function (key) {
      key.hidden = key.dataset.key !== shown && key.dataset.key !== two;
      key.style.order = key.dataset.key === shown ? 0 : 1;
    });
  }
  function crowd() {
    var near = map.getZoom() >= data.zoom + 1;
    var values = Boolean(overlays.samples) && (near || (shown !== "rate" && !data.crowded));
    if (values !== Boolean(shapes.samples.labelled)) {
      shapes.samples.labelled = values;
      if (map.hasLayer(shapes.samples)) { shapes.samples.draw(); }
    }
    map.getContainer().classList.toggle("values", values && shown !== "rate");
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
    var about = point.feature.properties;
    point.tag = tag(about.label, about.zone ? "b" : "i");
    point.bindTooltip(point.tag, { permanent: true, direction: "center", className: "tag", opacity: 1 });
  });
  all("[data-overlay]").forEach(function (box) {
    var key = box.dataset.overlay;
    var set = function () {
      overlays[key] = box.checked;
      (key === "zones" ? ["labels"] : key === "samples" ? ["samples", "areas"] : [key]).forEach(function (name) {
        if (shapes[name]) { map[box.checked ? "addLayer" : "removeLayer"](shapes[name]); }
      });
    };
    box.addEventListener("change", function () { set(); draw(); });
    set();
  });
  byId("zoom-in").addEventListener("click", function () { map.zoomIn(); });
  byId("zoom-out").addEventListener("click", function () { map.zoomOut(); });
  byId("whole").addEventListener("click", function () { fit(); crowd(); });

  /* two layers side by side */
  function second() {
    var other = L.map("beside", { zoomSnap: 0.25, zoomControl: false, attributionControl: false });
    other.createPane("lines").style.zIndex = 410;
    var outlines = zonesOn(other, "lines");
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
        outlines.draw(layer.key, true);
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
  /* every layer's picture is read when the page is at rest, or at the first press */
  var pixels = {}, reading = null, picturesRead = false;
  function readPictures() {
    reading = reading || Promise.all(data.layers.map(function (layer) {
      if (!layer.url) { return null; }
      layer.image = new Image();
      layer.image.src = layer.url;
      return layer.image.decode();
    })).catch(function () { return null; }).then(function () { picturesRead = true; });
    return reading;
  }
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
      said.push(layer.title.toLowerCase() + " " + value.toFixed(layer.decimals) + (doubt === null ? "" : " ± " + doubt.toFixed(layer.decimals)) + (layer.unit === "%" ? "" : " ") + layer.unit);
    });
    return said.length ? say("here", { values: said.join(", ") }) : "";
  }
  function chooseZone(zone, words) {
    mark(zone, words);
    draw();
  }
  function mark(zone, words) {
    chosen = zone;
    all("[data-because]").forEach(function (part) { part.classList.toggle("on", Number(part.dataset.because) === zone); });
    all("[data-zone]").forEach(function (button) { button.setAttribute("aria-pressed", String(Number(button.dataset.zone) === zone)); });
    byId("place").textContent = words;
  }
  function length(meters) {
    return Math.round(meters / (data.metric ? 1 : data.footM)).toLocaleString("en-US") + " " + data.lengthUnit;
  }
  function nearest(latlng) {
    var best = null, least = Infinity;
    used.concat(out).forEach(function (sample) {
      var away = map.distance(latlng, placeOf(sample));
      if (away < least) { least = away; best = sample; }
    });
    return best && { sample: best, away: least };
  }
  /* the answer: beside the map where there is room, else a sheet from below that leaves the pressed place in sight */
  var why = byId("why");
  function raise(latlng) {
    if (!window.matchMedia("(max-width: 899px)").matches) { return; }
    why.classList.add("up");
    why.scrollTop = 0;
    var pane = map.getContainer().getBoundingClientRect();
    var under = pane.top + map.latLngToContainerPoint(latlng).y + 24 - why.getBoundingClientRect().top;
    if (under > 0) { window.scrollBy(0, under); }
  }
  function lower() { why.classList.remove("up"); }
  byId("close").addEventListener("click", lower);
  document.addEventListener("keydown", function (event) { if (event.key === "Escape") { lower(); } });
  function answer(latlng, words) {
    pin.addTo(map).eachLayer(function (ring) { ring.setLatLng(latlng); });
    var zone = within(zones, latlng);
    if (zone) { chooseZone(zone.properties.zone, words); } else { byId("place").textContent = words; }
    raise(latlng);
  }
  function chooseSample(sample) { answer(placeOf(sample), sample[4]); }
  function choosePlace(latlng, before) {
    var close = nearest(latlng), touch = window.matchMedia("(pointer: coarse)").matches ? 22 : 12;
    if (!before && close && overlays.samples && map.latLngToContainerPoint(placeOf(close.sample)).distanceTo(map.latLngToContainerPoint(latlng)) <= touch) {
      chooseSample(close.sample);
      return;
    }
    var zone = within(zones, latlng), words = [before];
    if (zone && !picturesRead) { readPictures().then(function () { choosePlace(latlng, before); }); return; }
    if (zone) { words.push(here(latlng) || say("whole-zone", { zone: zone.properties.zone })); }
    else { words.push(say(data.shapes["no-apply"].some(function (part) { return inside(latlng, part.geometry); }) ? "no-nitrogen-here" : "outside")); }
    if (close && close.sample[3] && close.away < 1600) {
      words.push(say("nearest", { ids: close.sample[2], distance: length(close.away), label: close.sample[3], unit: data.readingUnit }));
    }
    answer(latlng, words.filter(Boolean).join(" "));
  }
  all("[data-zone]").forEach(function (button) {
    button.addEventListener("click", function () { pin.remove(); chooseZone(Number(button.dataset.zone), say("whole-zone", { zone: button.dataset.zone })); });
  });
  map.on("click", function (event) { choosePlace(event.latlng); });
  map.getContainer().addEventListener("keydown", function (event) {
    byId("main-pane").classList.add("by-keys");
    if (event.key === "Enter" && event.target === map.getContainer()) { choosePlace(map.getCenter()); }
  });
  map.getContainer().addEventListener("pointerdown", function () { byId("main-pane").classList.remove("by-keys"); });
  byId("find").addEventListener("submit", function (event) {
    event.preventDefault();
    var id = byId("find-id").value.trim(), low = id.toLowerCase();
    var found = used.concat(out).filter(function (sample) { return sample[2].toLowerCase().split(", ").indexOf(low) >= 0; })[0];
    if (!found) { byId("found").textContent = say("no-sample", { id: id }); return; }
    byId("found").textContent = "";
    map.setView(placeOf(found), Math.max(map.getZoom(), data.zoom + 1), { animate: false });
    byId("main-pane").scrollIntoView({ block: "nearest" });
    chooseSample(found);
  });
  var around = null;
  byId("where").addEventListener("click", function () {
    var tell = function (name) { byId("found").textContent = say(name); };
    if (!navigator.geolocation || !window.isSecureContext) { tell("where-not"); return; }
    tell("where-asking");
    navigator.geolocation.getCurrentPosition(function (found) {
      var latlng = L.latLng(found.coords.latitude, found.coords.longitude), wide = found.coords.accuracy;
      byId("found").textContent = "";
      if (around) { around.remove(); }
      around = L.circle(latlng, { radius: wide, color: ink, weight: 1, fillOpacity: 0.1, interactive: false, pane: "pin" }).addTo(map);
      map.panTo(latlng, { animate: false });
      choosePlace(latlng, say("where-here", { distance: length(wide) }));
    }, function () { tell("where-refused"); }, { enableHighAccuracy: true, timeout: 20000 });
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
      row.now = { rate: rate, changed: changed && !(text === "" || !isFinite(rate)), product: product };
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
  /* a changed rate shows wherever the rate stands, what it was before beside it */
  function fill(query, text) { all(query).forEach(function (part) { part.textContent = text; }); }
  function mixed(share) {
    var at = share * (data.rateRamp.length - 1), k = Math.min(Math.floor(at), data.rateRamp.length - 2);
    return "#" + data.rateRamp[k].map(function (low, i) {
      return ("0" + Math.round(low + (data.rateRamp[k + 1][i] - low) * (at - k)).toString(16)).slice(-2);
    }).join("");
  }
  function colored() {
    var steps = [];
    data.rates.forEach(function (row) {
      var rate = Math.round(row.now.rate * 1e6) / 1e6;
      row.step = isFinite(rate) ? rate : row.rate;
      if (steps.indexOf(row.step) < 0) { steps.push(row.step); }
    });
    steps.sort(function (a, b) { return a - b; });
    var key = byId("rate-key");
    key.textContent = "";
    steps.forEach(function (step, k) {
      var rows = data.rates.filter(function (row) { return row.step === step; }), item = document.createElement("li");
      var color = mixed(steps.length === 1 ? 0.5 : k / (steps.length - 1)), numbers = rows.map(function (row) { return row.zone; });
      rows.forEach(function (row) { row.color = color; });
      item.appendChild(tag("", "span")).className = "swatch";
      item.firstChild.style.background = color;
      item.appendChild(document.createTextNode(say(numbers.length === 1 ? "legend-zone" : "legend-zones", { rate: rows[0].told, zones: numbers.join(", ") })));
      key.appendChild(item);
    });
    data.rates.forEach(function (row) {
      all('[data-swatch="' + row.zone + '"]').forEach(function (swatch) { swatch.style.background = row.color; });
    });
  }
  function covered(row) {
    var flat = near(data.flat * data.factor) + " " + data.rateUnit, apart = (row.now.rate - data.flat) * data.factor;
    var way = Math.abs(apart) < 0.05 ? "flat-same" : apart > 0 ? "flat-more" : "flat-less";
    var perAc = plain(row.now.product * data.productFactor, data.perAcDecimals) + " " + data.perAc;
    return row.lead.replace("{rate}", perAc) + " " + say(way, { flat: flat, apart: near(Math.abs(apart)) + " " + data.rateUnit });
  }
  function spread() {
    data.rates.forEach(function (row) {
      var zone = row.zone, now = row.now, before = now.changed ? say("before", { value: row.shown }) : "";
      row.told = now.changed ? near(now.rate * data.factor) : row.shown;
      fill('[data-rate="' + zone + '"]', row.told);
      fill('[data-was="' + zone + '"]', before);
      fill('[data-product="' + zone + '"]', now.changed ? plain(now.product * data.productFactor, data.perAcDecimals) : row.productShown);
      var reason = field("reason-" + zone).value.trim(), why = reason ? " " + say("by-hand-why", { reason: reason }) : "";
      fill('[data-changed="' + zone + '"]', now.changed ? say("changed-here", { before: row.shown, after: row.told, unit: data.rateUnit }) + why : "");
      fill('[data-lead="' + zone + '"]', now.changed ? covered(row) : row.reached);
      all('[data-line="' + zone + '"]').forEach(function (line) { line.hidden = !now.changed; });
      fill("#because-" + zone, say("zone-rate", { zone: zone, rate: row.told, unit: data.rateUnit }));
    });
    shapes.labels.eachLayer(function (point) {
      var about = point.feature.properties, row = rowOf[about.zone];
      if (row) { point.tag.textContent = row.now.changed ? row.zone + ": " + row.told + "*" : about.label; }
    });
    fill(".still-changed", data.rates.some(function (row) { return row.now.changed; }) ? say("still-before") : "");
    colored();
    draw();
  }
  var firstTotals = {};
  all(".top [data-total]").forEach(function (part) { firstTotals[part.dataset.total] = part.textContent; });
  function sum() {
    var answer = read();
    var now = {
      n: plain(answer.n * data.massFactor, 0) + " " + data.massUnit,
      product: plain(answer.product * data.tankFactor, 0) + " " + data.tankUnit,
      mean: plain(answer.area ? answer.n / answer.area * data.factor : 0, 1) + " " + data.rateUnit,
      cost: "$" + plain(answer.n * data.price, 0)
    };
    Object.keys(now).forEach(function (key) {
      fill('[data-total="' + key + '"]', answer.changed ? now[key] : firstTotals[key]);
      fill('[data-was-total="' + key + '"]', answer.changed ? say("before", { value: firstTotals[key] }) : "");
    });
    spread();
    byId("saved").textContent = "";
    return answer;
  }
  /* what was typed stays with this page on this computer until it is discarded */
  var unsaved = false, keep = "vrn " + data.about + data.id;
  var typed = function () { return Array.prototype.filter.call(form.elements, function (part) { return part.name; }); };
  function remember() {
    var changes = {};
    typed().forEach(function (part) { if (part.value !== part.defaultValue) { changes[part.name] = part.value; } });
    unsaved = Object.keys(changes).length > 0;
    byId("discard").hidden = !unsaved;
    try { if (unsaved) { localStorage.setItem(keep, JSON.stringify(changes)); } else { localStorage.removeItem(keep); } } catch (_) { return; }
  }
  function restore() {
    var changes = null;
    try { changes = JSON.parse(localStorage.getItem(keep)); } catch (_) { return false; }
    if (!changes) { return false; }
    typed().forEach(function (part) { if (Object.prototype.hasOwnProperty.call(changes, part.name)) { part.value = changes[part.name]; } });
    form.querySelector("details").open = true;
    byId("restored").textContent = say("restored");
    byId("discard").hidden = false;
    unsaved = true;
    return true;
  }
  byId("discard").addEventListener("click", function () { form.reset(); byId("restored").textContent = ""; remember(); sum(); });
  window.addEventListener("beforeunload", function (event) { if (unsaved) { event.preventDefault(); } });
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
  form.addEventListener("input", function () { remember(); sum(); });
  form.addEventListener("submit", function (event) {
    event.preventDefault();
    var answer = sum();
    if (answer.wrong) {
      byId("saved").textContent = say("not-saved");
      return;
    }
    if (window.reviewKeep) {  /* a page that is served keeps it there */
      window.reviewKeep(toml(answer)).then(function (told) { unsaved = !told.kept; byId("saved").textContent = told.text; if (told.kept) { try { localStorage.removeItem(keep); } catch (_) { return; } } });
      return;
    }
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([toml(answer)], { type: "application/toml" }));
    link.download = data.file;
    link.click();
    unsaved = false;
    byId("saved").textContent = say("saved", data);
  });

  var scale = L.control.scale({ metric: data.metric, imperial: !data.metric }).addTo(map);
  byId("scale").appendChild(scale.getContainer());
  function fit() {
    map.invalidateSize({ animate: false });
    map.fitBounds(data.bounds, { animate: false, paddingTopLeft: [10, byId("main-pane").querySelector(".stamp") ? 36 : 10], paddingBottomRight: [10, 10] });
    data.zoom = map.getZoom();
  }
  document.querySelector("details.samples").addEventListener("toggle", showAll, { once: true });
  window.matchMedia("print").addEventListener("change", showAll);
  window.addEventListener("beforeprint", function () {
    showAll();
    all(".more details:not(.samples)").forEach(function (part) { part.open = true; });
  });
  mark(chosen, byId("place").textContent);
  if (restore()) { sum(); } else { draw(); }
  window.addEventListener("load", function () { setTimeout(readPictures, 0); });
})();

(() => {
  "use strict";
  const fields = JSON.parse(document.getElementById("drawn").textContent);
  if (!fields.length) return;
  const [ink, paper] = ["--ink", "--paper"].map((name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim());
  const fills = { DRAFT: paper, approved: "#7fa8b8", applied: "#24424f" };
  const text = (words) => document.createTextNode(words);
  const map = L.map("map", { attributionControl: false, zoomSnap: 0.25 });
  const layers = new Map();
  // a line in the paper's color under each in the ink's: one of the two is seen on any fill
  const all = L.geoJSON(fields, { interactive: false, style: (field) => ({ color: paper, weight: 4.5, fillColor: fills[field.properties.state], fillOpacity: 1 }) }).addTo(map);
  L.geoJSON(fields, {
    style: (field) => ({ color: ink, weight: 2, dashArray: field.properties.state === "DRAFT" ? "5 4" : null, fillOpacity: 0 }),
    onEachFeature: (field, layer) => {
      layers.set(field.properties.row, layer);
      layer.on("click", () => choose(field.properties.row, false));
    },
  }).addTo(map);
  map.fitBounds(all.getBounds(), { paddingTopLeft: [56, 20], paddingBottomRight: [20, 40] });
  L.control.scale({ position: "bottomleft", metric: document.body.dataset.metric === "yes", imperial: document.body.dataset.metric !== "yes" }).addTo(map);

  // names stand on the map while there is room for them
  const label = () => {
    for (const layer of layers.values()) {
      const box = layer.getBounds();
      const wide = map.latLngToLayerPoint(box.getNorthEast()).x - map.latLngToLayerPoint(box.getSouthWest()).x;
      layer.setStyle({ weight: wide > 24 ? 2 : 0.75 }); // a small field is seen by its fill
      const named = wide > 60 || layers.size <= 12;
      if (layer.named === named) continue;
      layer.named = named;
      layer.unbindTooltip();
      const properties = layer.feature.properties;
      if (named) layer.bindTooltip(() => text(properties.name), { permanent: true, direction: "center", className: "name" });
      else layer.bindTooltip(() => text(properties.words), { sticky: true });
    }
  };
  map.on("zoomend", label);
  label();

  let chosen = null;
  function choose(row, look) {
    if (chosen) chosen.classList.remove("on");
    chosen = document.getElementById(`row-${row}`);
    chosen.classList.add("on");
    if (look) {
      map.fitBounds(layers.get(row).getBounds(), { padding: [60, 60], maxZoom: 16 });
      document.getElementById("map").scrollIntoView({ block: "nearest" });
    } else {
      chosen.scrollIntoView({ block: "nearest" });
    }
  }
  for (const name of document.querySelectorAll("span[data-row]")) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...name.childNodes);
    button.addEventListener("click", () => choose(Number(name.dataset.row), true));
    name.append(button);
  }
})();

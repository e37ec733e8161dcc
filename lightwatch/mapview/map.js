"use strict";
/* Draws the page's data on a Leaflet map. Records' texts only ever become text nodes. */
const DASH = { u: "9 6", o: null, x: "0.1 6" };
const THICK_DASH = { u: "20 8", o: null, x: "0.1 14" };
const SHARED = ["supply_fault", "group_photocontrol"];
const COLOUR = { fault: "#b54400", single: "#00598f", ink: "#111", byMap: "#5b6167", lit: "#fff0b0" };
const THICK = [6, 10, 14]; /* could be, probably, almost certainly dark */
const SILENT = 0, REPORTED = 1;
const STEPS = 100000;
const FAR = 13, NEAR = 15; /* zooms under which marks shrink */
const TAGGED = 30; /* more shared faults than this would only hide each other */

const PANELS = { narrow: matchMedia("(max-width: 700px)"), panels: [...document.querySelectorAll("body > details")] };

/** First point, then steps, in whole numbers: back to [latitude, longitude]. */
function decoded(flat) {
  let x = 0, y = 0;
  const line = [];
  for (let i = 0; i < flat.length; i += 2) {
    x += flat[i]; y += flat[i + 1];
    line.push([y / STEPS, x / STEPS]);
  }
  return line;
}

function element(name, text, className) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

function drawing(symbol, className) {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 40 40");
  if (className) svg.setAttribute("class", className);
  const use = document.createElementNS(space, "use");
  use.setAttribute("href", "#" + symbol);
  svg.append(use);
  return svg;
}

function card(outage) {
  const made = element("article", undefined, "card");
  made.tabIndex = -1;
  made.append(element("h2", outage.card.title), element("p", outage.card.place));
  const facts = element("dl");
  for (const [heading, said] of outage.card.facts) {
    const alarm = heading === "Danger" ? "alarm" : "";
    const value = element("dd");
    if (Array.isArray(said)) {
      const list = element("ul");
      list.append(...said.map(one => element("li", one)));
      value.append(list);
    } else value.textContent = said;
    facts.append(element("dt", heading, alarm), value);
  }
  const cautions = document.getElementById("cautions").content.cloneNode(true);
  for (const line of cautions.querySelectorAll("[data-only]"))
    if (outage.feed !== "x" && line.dataset.only !== outage.feed) line.remove();
  made.append(facts, cautions);
  return made;
}

/** A small mark on canvas: square, round or diamond; struck through if not ours. */
const Dot = L.CircleMarker.extend({
  _updatePath() {
    const canvas = this._renderer;
    const zoom = this._map.getZoom();
    if (!canvas._drawing || this._empty() || zoom < this.options.from) return;
    const { x, y } = this._point, pen = canvas._ctx;
    const r = this._radius * (zoom < FAR ? .45 : zoom < NEAR ? .75 : 1);
    pen.beginPath();
    if (this.options.feed === "u") pen.rect(x - r * .9, y - r * .9, r * 1.8, r * 1.8);
    else if (this.options.feed === "o") pen.arc(x, y, r, 0, 2 * Math.PI);
    else { pen.moveTo(x, y - r * 1.3); pen.lineTo(x + r * 1.3, y); pen.lineTo(x, y + r * 1.3); pen.lineTo(x - r * 1.3, y); pen.closePath(); }
    canvas._fillStroke(pen, this);
    if (!this.options.theirs) return;
    pen.beginPath(); pen.moveTo(x - r * 1.7, y + r * 1.7); pen.lineTo(x + r * 1.7, y - r * 1.7);
    pen.lineWidth = 2; pen.strokeStyle = COLOUR.ink; pen.stroke();
  },
});

/** A canvas over the whole view, painted anew after each move. */
const Field = L.Layer.extend({
  initialize(paint) { this._paint = paint; },
  onAdd(map) {
    this._canvas = element("canvas", undefined, "field leaflet-zoom-hide");
    map.getPane("fields").append(this._canvas);
    this.draw();
  },
  onRemove() { this._canvas.remove(); },
  getEvents() { return { moveend: this.draw, resize: this.draw }; },
  draw() {
    const size = this._map.getSize(), sharp = window.devicePixelRatio || 1;
    L.DomUtil.setPosition(this._canvas, this._map.containerPointToLayerPoint([0, 0]));
    Object.assign(this._canvas, { width: size.x * sharp, height: size.y * sharp });
    Object.assign(this._canvas.style, { width: size.x + "px", height: size.y + "px" });
    const pen = this._canvas.getContext("2d");
    pen.scale(sharp, sharp);
    this._paint(pen, this._map, size);
  },
});

/** Whole numbers to Mercator metres of zoom 0 [pixels], once, for fast painting. */
function projected(flat) {
  const world = new Float64Array(flat.length);
  let x = 0, y = 0;
  for (let i = 0; i < flat.length; i += 2) {
    x += flat[i]; y += flat[i + 1];
    const sine = Math.sin(y / STEPS * Math.PI / 180);
    world[i] = 256 * (x / STEPS / 360 + .5);
    world[i + 1] = 256 * (.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI));
  }
  return world;
}

function lightsField(flat) {
  let world;
  return new Field((pen, map, size) => {
    world ??= projected(flat);
    const scale = map.getZoomScale(map.getZoom(), 0), origin = map.getPixelBounds().min;
    const side = map.getZoom() < 15 ? 1.5 : 3;
    pen.fillStyle = "#777";
    for (let i = 0; i < world.length; i += 2) {
      const x = world[i] * scale - origin.x, y = world[i + 1] * scale - origin.y;
      if (x > 0 && y > 0 && x < size.x && y < size.y) pen.fillRect(x - side / 2, y - side / 2, side, side);
    }
  });
}

function namesField(names) {
  return new Field((pen, map, size) => {
    if (map.getZoom() < 16) return;
    pen.font = "11px system-ui, sans-serif";
    Object.assign(pen, { textAlign: "center", textBaseline: "middle", lineWidth: 3, strokeStyle: "#f4f2ec", fillStyle: "#555" });
    const taken = new Set(); /* one name a patch, and no two on one spot */
    for (const [name, x, y, dx, dy] of names) {
      const at = map.latLngToContainerPoint([y / STEPS, x / STEPS]);
      const cell = name + "/" + Math.round(at.x / 220) + "/" + Math.round(at.y / 220);
      const spot = Math.round(at.x / 50) + "/" + Math.round(at.y / 30);
      if (at.x < 0 || at.y < 0 || at.x > size.x || at.y > size.y || taken.has(cell) || taken.has(spot)) continue;
      taken.add(cell).add(spot);
      let turn = Math.atan2(-dy, dx * Math.cos(y / STEPS * Math.PI / 180));
      if (Math.abs(turn) > Math.PI / 2) turn -= Math.PI * Math.sign(turn);
      pen.save(); pen.translate(at.x, at.y); pen.rotate(turn);
      pen.strokeText(name, 0, 0); pen.fillText(name, 0, 0); pen.restore();
    }
  });
}

/** A shared fault or area outage; its name goes on the side with more room. */
function largeMark(outage, number, shared, tagged, middle) {
  const lights = outage.count;
  const size = lights >= 15 ? 44 : lights >= 5 ? 34 : 26;
  const made = element("div", undefined, "fault " + outage.verdict);
  const count = element("b");
  count.append(element("span", lights));
  made.append(drawing(outage.verdict + "-" + outage.feed), count);
  if (outage.danger) made.append(drawing("danger", "badge"));
  const at = decoded(outage.at)[0], side = at[1] > middle ? "tag west" : "tag";
  if (tagged) made.append(element("span", `${outage.circuit || "inferred feed"} \u00b7 ${lights} dark`, side));
  const icon = L.divIcon({ html: made, className: "", iconSize: [size, size] });
  const title = outage.card.title + ", " + outage.card.place;
  return L.marker(at, { icon, title, riseOnHover: true, zIndexOffset: (shared ? 10000 : 1000) - number });
}

/** The likely dark stretch: over a white casing, thicker where likelier, grey where the order is inferred. */
function stretchLines(outage, renderer) {
  const feed = outage.inferred ? "x" : outage.feed;
  const style = { renderer, lineCap: feed === "x" ? "round" : "butt", lineJoin: "round", opacity: 1 };
  const bands = THICK.map((weight, band) => [weight, (outage.stretch || []).filter(one => one[0] === band).map(one => decoded(one[1]))]);
  const used = bands.filter(([, lines]) => lines.length);
  return [
    ...used.map(([weight, lines]) => L.polyline(lines, { ...style, color: "#fff", weight: weight + 5, opacity: .9, interactive: false })),
    ...used.map(([weight, lines]) => L.polyline(lines, { ...style, color: outage.inferred ? COLOUR.byMap : COLOUR.fault, weight, dashArray: THICK_DASH[feed] })),
  ];
}

function sharedLayers(outage, panes) {
  const suspects = (outage.suspects || []).map(decoded), rail = { renderer: panes.stretch, lineCap: "butt", opacity: 1 };
  const layers = [...stretchLines(outage, panes.stretch),
    L.polyline(suspects, { ...rail, color: COLOUR.ink, weight: 9 }),
    L.polyline(suspects, { ...rail, color: "#fff", weight: 4.5, interactive: false })];
  for (const [x, y, state] of outage.dots) {
    const told = state === REPORTED, dark = told || state === SILENT;
    layers.push(new Dot([y / STEPS, x / STEPS], { renderer: panes.faultLights, interactive: false, from: NEAR, feed: "o", radius: dark ? 3.5 : 2.5,
      color: told ? "#fff" : dark ? COLOUR.ink : "#777", weight: told ? 1.5 : dark ? 2 : 1, fillColor: told ? COLOUR.ink : dark ? "#fff" : COLOUR.lit, fillOpacity: 1 }));
  }
  return layers;
}

function smallLayers(outage, panes) {
  const doubt = outage.verdict === "no_fault", area = outage.verdict === "area_outage";
  const outline = outage.outline?.length ? [L.polygon(decoded(outage.outline), { renderer: panes.stretch, color: COLOUR.ink, weight: 2.5, dashArray: "10 5 2 5", fill: false })] : [];
  return outline.concat(outage.dots.map(([x, y]) => new Dot([y / STEPS, x / STEPS], {
    renderer: panes.dots, feed: outage.feed, theirs: outage.theirs, radius: area ? 3.5 : 5, fillOpacity: 1,
    color: area ? COLOUR.ink : doubt ? COLOUR.single : "#fff", weight: doubt || area ? 2 : 1,
    fillColor: doubt || area ? "#fff" : COLOUR.single })));
}

/** One outage as a group of layers with its card. */
function outageLayer(outage, number, panes, tagged, middle) {
  const shared = SHARED.includes(outage.verdict);
  const layers = (shared ? sharedLayers : smallLayers)(outage, panes);
  if (outage.at && (shared || outage.verdict === "area_outage")) layers.push(largeMark(outage, number, shared, shared && tagged, middle));
  else if (outage.at && outage.danger) {
    const icon = L.divIcon({ html: drawing("danger", "mark"), className: "", iconSize: [30, 30], iconAnchor: [15, 32] });
    layers.push(L.marker(decoded(outage.at)[0], { icon, title: "Danger: " + outage.card.title, zIndexOffset: 2000 }));
  }
  return L.featureGroup(layers).bindPopup(() => card(outage), { maxWidth: 300, minWidth: 240,
    maxHeight: Math.max(220, Math.min(460, document.querySelector("main").clientHeight - 60)), autoPanPadding: [12, 12] });
}

function makePanes(map) {
  const heights = { roads: 300, fields: 320, feeds: 350, dots: 400, stretch: 450, faultlights: 460 };
  for (const [name, height] of Object.entries(heights)) map.createPane(name).style.zIndex = height;
  return {
    roads: L.canvas({ pane: "roads" }), feeds: L.canvas({ pane: "feeds" }), dots: L.canvas({ pane: "dots", tolerance: 9 }),
    stretch: L.svg({ pane: "stretch" }), faultLights: L.canvas({ pane: "faultlights" }),
  };
}

function baseLayers(data, panes) {
  const roads = Object.entries(data.roads.lines).map(([weight, lines]) => L.polyline(lines.map(decoded),
    { renderer: panes.roads, interactive: false, color: "#c3c0b6", weight: +weight, opacity: 1 }));
  const layers = { roads: L.layerGroup(roads), names: namesField(data.roads.names), lights: lightsField(data.lights) };
  if (data.far.length) layers.far = farReports(data.far, panes);
  return layers;
}

/** Open reports with no light near: on none, so hollow. */
function farReports(reports, panes) {
  return L.layerGroup(reports.map(([x, y, said]) => L.circleMarker([y / STEPS, x / STEPS],
    { renderer: panes.dots, radius: 5, color: "#555", weight: 1.5, fillOpacity: 0 }).bindTooltip(() => {
    const text = document.createElement("span");
    text.textContent = "No light near: " + said;
    return text;
  })));
}

function feedLayers(circuits, panes) {
  const layers = {};
  for (const feed of "uox")
    layers[feed] = L.layerGroup([[0, 0], [1, 0], [1, 1]].map(([loud, byMap]) => {
      const lines = circuits.filter(one => one[0] === feed && one[1] === loud && one[2] === byMap).flatMap(one => one[3].map(decoded));
      return L.polyline(lines, { renderer: panes.feeds, interactive: false, color: loud && !byMap ? "#222" : "#979ea4",
        weight: loud ? 3 : 1.25, opacity: 1, dashArray: DASH[byMap ? "x" : feed], lineCap: byMap || feed === "x" ? "round" : "butt" });
    }));
  return layers;
}

/** Where all of it is: outages, else roads, else lights. */
function extent(data) {
  const bounds = L.latLngBounds([]);
  for (const outage of data.outages) {
    for (const [x, y] of outage.dots) bounds.extend([y / STEPS, x / STEPS]);
    if (outage.at) bounds.extend(decoded(outage.at)[0]);
  }
  if (!bounds.isValid())
    for (const lines of Object.values(data.roads.lines)) for (const line of lines) decoded(line).forEach(at => bounds.extend(at));
  if (!bounds.isValid()) decoded(data.lights).forEach(at => bounds.extend(at));
  return bounds;
}

/** Show and hide layers as the key's boxes say. */
function obeyKey(map, data, layers, bases, feeds) {
  const ticked = (kind, value) => document.querySelector(`input[data-${kind}="${value}"]`).checked;
  const put = (layer, wanted) => { if (map.hasLayer(layer) !== wanted) wanted ? map.addLayer(layer) : map.removeLayer(layer); };
  const obey = () => {
    for (const [name, layer] of Object.entries(bases)) put(layer, ticked("base", name));
    for (const [feed, layer] of Object.entries(feeds)) put(layer, ticked("feed", feed));
    const order = data.outages.map((outage, number) => [SHARED.includes(outage.verdict), number]).sort((a, b) => a[0] - b[0] || b[1] - a[1]);
    for (const [, number] of order) {
      const outage = data.outages[number];
      put(layers[number], ticked("verdict", outage.verdict) && ticked("feed", outage.feed));
    }
  };
  document.querySelector(".key").addEventListener("change", obey);
  obey();
}

function flyTo(map, outage, layer) {
  if (!outage.at) {
    map.openPopup(L.popup().setLatLng(map.getCenter()).setContent(card(outage)));
    return;
  }
  const bounds = L.latLngBounds(decoded(outage.at)).extend(decoded(outage.at)[0]);
  for (const [x, y, state] of outage.dots) if (state <= REPORTED) bounds.extend([y / STEPS, x / STEPS]);
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  map.once("moveend", () => {
    if (!map.hasLayer(layer)) map.addLayer(layer);
    layer.openPopup(decoded(outage.at)[0]);
  });
  map.flyToBounds(bounds.pad(.3), { maxZoom: 17, animate: !still, duration: .8 });
}

function obeyList(map, data, layers) {
  const { narrow, panels } = PANELS;
  for (const panel of panels) panel.addEventListener("toggle", () => {
    if (panel.open && narrow.matches) panels.forEach(other => { if (other !== panel) other.open = false; });
  });
  document.querySelector(".list").addEventListener("click", event => {
    const button = event.target.closest("[data-outage]");
    if (!button) return;
    if (narrow.matches) panels.forEach(panel => { panel.open = false; });
    map.invalidateSize();
    flyTo(map, data.outages[button.dataset.outage], layers[button.dataset.outage]);
  });
}

function lightwatch(map) {
  const data = JSON.parse(document.getElementById("data").textContent);
  if (PANELS.narrow.matches) PANELS.panels.forEach(panel => { panel.open = false; });
  const panes = makePanes(map);
  map.attributionControl.setPrefix(false).addAttribution("Drawn with Leaflet");
  L.control.zoom({ position: "bottomleft" }).addTo(map);
  L.control.scale({ position: "bottomright" }).addTo(map);
  const bounds = extent(data), middle = bounds.isValid() ? bounds.getCenter().lng : 0;
  const tagged = data.outages.filter(one => SHARED.includes(one.verdict)).length <= TAGGED;
  const layers = data.outages.map((outage, number) => outageLayer(outage, number, panes, tagged, middle));
  obeyList(map, data, layers);
  map.invalidateSize({ animate: false });
  if (bounds.isValid()) map.fitBounds(bounds, {
    // Clear of labels, scale and notice at the right and the bottom.
    paddingTopLeft: [36, 36], paddingBottomRight: [96, 72], maxZoom: 17, animate: false,
  });
  const shrink = () => map.getContainer().classList.toggle("far", !tagged && map.getZoom() < FAR);
  map.on("zoomend", shrink);
  shrink();
  obeyKey(map, data, layers, baseLayers(data, panes), feedLayers(data.circuits, panes));
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
  map.on("popupopen", event => event.popup.getElement().querySelector(".card").focus({ preventScroll: true }));
  document.addEventListener("keydown", event => { if (event.key === "Escape") map.closePopup(); });
  addEventListener("beforeprint", () => { for (const panel of document.querySelectorAll("body > details")) panel.open = true; });
  document.documentElement.dataset.ready = "yes";
}

"use strict";
// The page's behaviour: layers on and off, pictures, thresholds, units, position, print. No request leaves the page.
const geosample = (() => {
  let page = null;
  const find = (selector) => document.querySelector(selector);
  const all = (selector) => Array.from(document.querySelectorAll(selector));
  const say = (text) => { find("#spoken").textContent = text; };

  // What covers the map, as Leaflet takes it: corners to keep clear of, and the room between them.
  function clear_room(of = page.map) {
    const map = of.getContainer().getBoundingClientRect();
    const tools = find("#tools").getBoundingClientRect();
    const apart = tools.left >= map.right - 1 || tools.top >= map.bottom - 1;
    const below = !apart && tools.width > map.width / 2 ? Math.max(0, map.bottom - tools.top) : 0;
    const beside = apart || below ? 0 : Math.max(0, map.right - tools.left);
    return { near: [64, 10], far: [beside + 14, below + 10], beside, below, wide: map.width - beside - 78, tall: map.height - below - 20 };
  }

  // The frame fills what nothing covers; on paper nothing covers anything.
  function fit(bounds, options) {
    const room = clear_room();
    page.map.fitBounds(bounds, { paddingTopLeft: room.near, paddingBottomRight: room.far, animate: false, ...options });
  }

  // What the paper shows: the sampled holes where all of them are in view, or else what is.
  function paper_bounds() {
    const room = clear_room();
    const far = [room.near[0] + room.wide, room.near[1] + room.tall];
    const seen = L.latLngBounds(page.map.containerPointToLatLng(room.near), page.map.containerPointToLatLng(far));
    return seen.contains(page.first_bounds) ? page.first_bounds : seen;
  }

  // A pop-up is made when it is asked for, as large as there is room for it just then.
  function tell(layer, at) {
    if (page.quiet) { return; }
    const { map, said } = page.views.find((view) => view.map.hasLayer(layer));
    const room = clear_room(map);
    L.popup({
      maxWidth: Math.min(320, room.wide - 56), maxHeight: room.tall - 70,
      autoPanPaddingTopLeft: room.near, autoPanPaddingBottomRight: room.far,
    }).setLatLng(at).setContent(said.get(layer) || layer.feature.properties.say).openOn(map);
  }

  const middle = (layer) => (layer.getLatLng ? layer.getLatLng() : layer.getBounds().getCenter());

  // Leaflet's paths are not reachable by keyboard; these are, and open their pop-up on Enter or Space, as its points do.
  function reach(layer, name) {
    layer.on("add", () => {
      const element = layer.getElement();
      element.setAttribute("tabindex", "0");
      element.setAttribute("role", "button");
      element.setAttribute("aria-label", name);
      element.addEventListener("keydown", (event) => {
        if (event.key !== "Enter" && event.key !== " ") { return; }
        event.preventDefault();
        tell(layer, middle(layer));
      });
    });
  }

  const style = (item) => ({
    className: item.properties.look + (item.geometry.type.endsWith("LineString") ? " line" : ""),
    fill: true,
    interactive: Boolean(item.properties.say),
  });

  // A feature's texts are HTML, escaped when the page was made; this is one as plain text.
  const reader = document.createElement("textarea");
  const plain = (html) => { reader.innerHTML = html || ""; return reader.value; };

  const read = new WeakSet();
  function feature(item, layer) {
    if (!read.has(item.properties)) { item.properties.id = plain(item.properties.id); }
    read.add(item.properties);
    if (!item.properties.say) { return; }
    layer.on("click", (event) => tell(layer, layer.getLatLng ? layer.getLatLng() : event.latlng));
    if (item.properties.id) { reach(layer, plain(item.properties.name)); }
  }

  const sizes = { s1: 24, s2: 30, s3: 38, s4: 46, cluster: 52 };
  function place(item, latlng) {
    const own = item.properties;
    const size = sizes[own.look.split(" ").find((word) => word in sizes)] || (own.mark ? 24 : 16);
    const mark = document.createElement("span");
    mark.textContent = plain(own.mark);
    const isLabel = own.look.startsWith("label");
    const icon = L.divIcon({ className: own.look, html: mark, iconSize: isLabel ? [60, 22] : [size, size] });
    return L.marker(latlng, { icon, keyboard: false, interactive: !isLabel, zIndexOffset: isLabel ? 1000 : 0, title: plain(own.name) });
  }

  // A view is a map and the visit on it: there is one, or two side by side. The ground is any visit's.
  const OF_VISIT = ["points", "clusters", "hotspots", "treat", "check", "rasters"];
  const layers_of = (view, name) => (OF_VISIT.includes(name) ? page.visits[view.visit] : view.ground)[name] || [];
  const put = (map, layer, shown) => { if (shown) { map.addLayer(layer); } else { map.removeLayer(layer); } };

  function switch_layer(name, shown) {
    for (const view of page.views) { layers_of(view, name).forEach((layer) => put(view.map, layer, shown)); }
    part_labels();
  }

  const boxes = () => all("input[data-layer]");
  function bind_layers() {
    for (const box of boxes()) {
      box.checked = box.dataset.layer !== "hotspots" && box.dataset.layer !== "base";
      box.addEventListener("change", () => switch_layer(box.dataset.layer, box.checked));
    }
  }

  // Takes a visit off its map, before the view shows another or goes.
  function clear(view) {
    view.map.closePopup();
    OF_VISIT.flatMap((name) => layers_of(view, name)).forEach((layer) => put(view.map, layer, false));
  }

  // Shows what each view's visit has of what is switched on; words and switches are those of the visits in view.
  function show_visits() {
    for (const view of page.views) {
      const says = page.says[view.visit - 1];
      const shapes = view.ground.surfaces ? view.ground.surfaces[0].getLayers() : [];
      view.said = new Map(says ? shapes.map((shape, nr) => [shape, says[nr][0]]) : []);
      shapes.forEach((shape, nr) => {
        const look = says ? says[nr][1] : shape.feature.properties.look;
        if (shape.getElement()) { shape.getElement().classList.toggle("mapped", look.endsWith(" mapped")); }
      });
      if (view.label) { view.label.textContent = name_of(view.visit); }
    }
    for (const box of boxes()) {
      switch_layer(box.dataset.layer, box.checked);
      box.parentElement.hidden = page.views.every((view) => !layers_of(view, box.dataset.layer).length);
    }
    const inView = page.views.map((view) => view.visit);
    for (const node of all("[data-visit]:not(.legend)")) {
      const own = Number(node.dataset.visit);
      node.hidden = node.closest("#head") ? own !== inView[0] : !inView.includes(own);
    }
    page.step = page.steps[inView[0]];
    if (find("#raster")) { show_raster(); }
  }

  const name_of = (visit) => find("#visit").options[visit].textContent;

  // The second map is made when it is first asked for: the same panes, and copies of the ground's layers.
  function second_view() {
    if (page.second) { return page.second; }
    const map = L.map("beside", { ...page.map.options, attributionControl: false, zoomControl: false, center: page.map.getCenter(), zoom: page.map.getZoom() });
    for (const [name, pane] of Object.entries(page.map.getPanes())) {
      const own = map.getPane(name) || map.createPane(name);
      own.style.zIndex = pane.style.zIndex;
      own.style.pointerEvents = pane.style.pointerEvents;
    }
    const copy = (layer) => {
      if (layer.toGeoJSON) { return L.geoJSON(layer.toGeoJSON(false), layer.options); }
      if (layer.getBounds) { return L.imageOverlay(layer.getElement().src, layer.getBounds(), layer.options); }
      return L.tileLayer(page.base, layer.options);
    };
    const ground = Object.fromEntries(["aerial", "base", "obstacles", "surfaces"].map((name) => [name, (page.layers[name] || []).map(copy)]));
    page.second = { map, ground };
    set_up(page.second);
    pair(page.map, map, () => page.views.length > 1);
    return page.second;
  }

  // Two maps show the same ground, whichever is moved.
  // A map that is still gliding to its zoom takes no other: it follows once it has arrived, the one that was moved last.
  function pair(one, two, paired) {
    let busy = false, lead = one;
    const follow = (from, to) => {
      if (busy || !paired()) { return; }
      busy = true;
      to.setView(from.getCenter(), from.getZoom(), { animate: false });
      busy = false;
    };
    for (const [from, to] of [[one, two], [two, one]]) {
      let center = from.getCenter(), zoom = from.getZoom();
      from.on("move", () => {
        if (zoom === from.getZoom() && center.equals(from.getCenter(), 0)) { return; }  // it arrives where it said
        [center, zoom] = [from.getCenter(), from.getZoom()];
        if (!busy) { lead = from; }
        follow(from, to);
      });
      from.on("zoomend", () => { if (lead !== from) { follow(lead, from); } });
    }
  }

  // The same visit twice would say nothing: the other view then takes the visit that was here.
  function choose_visits(first, second) {
    const was = page.views[0].visit;
    const seen = paper_bounds();
    page.views.forEach(clear);
    page.views = [page.views[0]];
    page.views[0].visit = first;
    find("#beside").hidden = second === null;
    document.body.classList.toggle("two", second !== null);
    page.map.invalidateSize({ animate: false });
    if (second !== null) { page.views.push(Object.assign(second_view(), { visit: second === first ? was : second })); }
    find("#visit").value = first;
    find("#second").value = second === null ? "" : page.views[1].visit;
    for (const option of find("#second").options) { option.hidden = option.value === String(first); }
    page.views.forEach(({ map }) => map.invalidateSize({ animate: false }));
    show_visits();
    uncover();
    fit(seen);
    say(page.views.map((view) => name_of(view.visit)).join(", "));
  }

  function bind_visits() {
    if (!find("#visit")) { return; }
    const chosen = () => (find("#second").value === "" ? null : Number(find("#second").value));
    find("#visit").value = 0;
    find("#second").value = "";
    find("#second").options[1].hidden = true;
    find("#visit").addEventListener("change", () => choose_visits(Number(find("#visit").value), chosen()));
    find("#second").addEventListener("change", () => choose_visits(page.views[0].visit, chosen()));
  }

  // The pictures are layers of one place: density, width, then a chance a threshold. One at most is on a map, and two
  // maps show the chance of more than one threshold.
  function show_raster() {
    const picked = find("#raster").value;
    const alone = page.views.length === 1;
    for (const legend of all(".legend")) { legend.hidden = true; }
    for (const view of page.views) {
      const step = alone ? page.step : page.steps[view.visit];
      const shown = { density: 0, width: 1, chance: 2 + step }[picked];
      layers_of(view, "rasters").forEach((overlay, place_in) => put(view.map, overlay, place_in === shown));
      view.map.getContainer().classList.toggle("has-raster", shown !== undefined && layers_of(view, "rasters").length > 0);
      for (const legend of all(`.legend[data-visit="${view.visit}"][data-for="${picked}"]`)) {
        legend.hidden = legend.dataset.step !== undefined && Number(legend.dataset.step) !== step;
        legend.classList.toggle("again", view !== page.views[0]);
      }
    }
    find(".stepper").hidden = picked !== "chance" || !alone || layers_of(page.views[0], "rasters").length < 4;
    const title = all(".legend h2").find((head) => !head.parentElement.hidden);
    say(title ? title.innerText : "");
    uncover();
  }

  function bind_rasters() {
    if (!find("#raster")) { return; }
    const last = () => layers_of(page.views[0], "rasters").length - 3;
    const move = (by) => { page.step = Math.min(last(), Math.max(0, page.step + by)); show_raster(); };
    find("#raster").addEventListener("change", show_raster);
    find("#lower").addEventListener("click", () => move(-1));
    find("#higher").addEventListener("click", () => move(1));
  }

  // Beside the map there is room for all layers, and nothing to tap that would open them.
  function open_layers() {
    if (getComputedStyle(find("#layers summary")).display === "none") { find("#layers").open = true; }
    uncover();
  }

  // Leaflet's own scale and credit move out from under what covers the map.
  function uncover() {
    for (const { map } of page.views) {
      const room = clear_room(map);
      map.getContainer().style.setProperty("--below", `${room.below}px`);
      map.getContainer().style.setProperty("--beside", `${room.beside}px`);
    }
  }

  function use_units(units) {
    document.body.classList.remove("us", "metric");
    document.body.classList.add(units);
    if (page.scale) { page.scale.remove(); }
    page.scale = L.control.scale({ imperial: units === "us", metric: units === "metric", maxWidth: 140 }).addTo(page.map);
  }

  function bind_units() {
    for (const radio of all("input[name=units]")) {
      radio.checked = radio.value === page.units;
      radio.addEventListener("change", () => use_units(radio.value));
    }
    use_units(page.units);
  }

  function bind_moves() {
    for (const button of all(".to-hole")) {
      button.addEventListener("click", () => fit(button.dataset.hole === "" ? page.bounds : page.holes[Number(button.dataset.hole)]));
    }
    for (const button of all(".to-zone")) {
      button.addEventListener("click", () => go_to_zone(button.dataset.layer, button.dataset.zone));
    }
    find("#print").addEventListener("click", () => window.print());
  }

  function go_to_zone(name, id) {
    const box = find(`input[data-layer=${name}]`);
    if (!box.checked) { box.checked = true; switch_layer(name, true); }
    show_rest(false);
    page.views.flatMap((view) => layers_of(view, name)).forEach((group) => group.eachLayer((layer) => {
      if (layer.feature.properties.id !== id || !layer.getBounds) { return; }
      fit(layer.getBounds(), { maxZoom: 20 });
      tell(layer, middle(layer));
    }));
  }

  // All but the map waits behind the head's line.
  function show_rest(shown) {
    find("#rest").hidden = !shown;
    find("#open").setAttribute("aria-expanded", shown);
    find(shown ? "#rest" : "#open").focus({ preventScroll: true });
  }

  function bind_rest() {
    find("#open").addEventListener("click", () => show_rest(find("#rest").hidden));
    find("#close").addEventListener("click", () => show_rest(false));
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && !find("#rest").hidden) { show_rest(false); }
    });
    if (find("#to-cautions")) {
      find("#to-cautions").addEventListener("click", () => { show_rest(true); find("#cautions").scrollIntoView(); });
    }
  }

  function control(position, make, map = page.map) {
    const made = L.control({ position });
    made.onAdd = () => { const node = make(); L.DomEvent.disableClickPropagation(node); return node; };
    made.addTo(map);
  }

  function north() {
    const node = L.DomUtil.create("div", "north");
    node.innerHTML = '<svg width="18" height="26" viewBox="0 0 18 26" aria-hidden="true"><path d="M9 0 L17 25 L9 19 L1 25 Z" fill="#111"/></svg>N';
    node.setAttribute("aria-label", page.words.north);
    return node;
  }

  // Only where the browser can give a position; it asks the reader first, and nothing is stored or sent.
  function position_button() {
    const bar = L.DomUtil.create("div", "leaflet-bar no-print");
    const button = L.DomUtil.create("button", "", bar);
    button.type = "button";
    button.id = "position";
    button.textContent = page.words.me;
    button.title = page.words.find_me;
    button.setAttribute("aria-label", page.words.find_me);
    button.addEventListener("click", find_me);
    return bar;
  }

  function note(text) {
    L.popup().setLatLng(page.map.getCenter()).setContent(text).openOn(page.map);
    say(text);
  }

  // The first press only says who may learn of it; the second asks.
  function find_me() {
    if (page.watch !== undefined) { return; }
    if (!page.told) {
      page.told = true;
      note(page.words.asks);
      return;
    }
    page.map.closePopup();
    page.watch = navigator.geolocation.watchPosition(show_me, (error) => {
      navigator.geolocation.clearWatch(page.watch);
      page.watch = undefined;
      note(L.Util.template(page.words.no_fix, { why: L.Util.trim(error.message || page.words.none) }));
    }, { enableHighAccuracy: true, maximumAge: 5000 });
  }

  function show_me(fix) {
    const here = [fix.coords.latitude, fix.coords.longitude];
    const error_m = fix.coords.accuracy;
    const text = L.Util.template(page.words.within, { ft: Math.round(error_m / page.foot_m), m: Math.round(error_m) });
    if (!page.me) {
      page.me = L.circle(here, { radius: error_m, className: "me", color: page.here_colour, weight: 4 }).addTo(page.map).bindPopup(text);
      page.map.setView(here, Math.max(page.map.getZoom(), 18));
      page.me.openPopup();
    }
    page.me.setLatLng(here).setRadius(error_m).setPopupContent(text);
  }

  function mind_zoom(map) {
    map.getContainer().classList.toggle("zoom-far", map.getZoom() < 18);
    part_labels();
  }

  // What every view has: its name, its visit where there are several, and labels that part.
  function set_up(view) {
    const box = view.map.getContainer();
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", page.words.map);
    if (find("#visit")) { control("topright", () => { view.label = L.DomUtil.create("div", "which"); return view.label; }, view.map); }
    view.map.on("zoomend", () => mind_zoom(view.map));
    mind_zoom(view.map);
  }

  // A label that would lie on an earlier one waits until there is room; its zone still opens and is in the table.
  // A hole's number moves aside for the points, which it would cover.
  const ASIDE = [[0, 0], [0, -22], [0, 22], [28, 0], [-28, 0], [28, -22], [-28, -22], [28, 22], [-28, 22], [0, -40], [0, 40], [44, 0], [-44, 0]];
  function part_labels() {
    const taken = [];
    const marks = all(".leaflet-marker-pane .point").map((node) => node.getBoundingClientRect()).filter((box) => box.width);
    for (const node of all(".leaflet-marker-pane .label")) {
      const span = node.firstElementChild;
      span.style.left = span.style.top = "";
      const box = span.getBoundingClientRect();
      const lies_on = (other, [x, y]) => box.left + x < other.right && other.left < box.right + x && box.top + y < other.bottom && other.top < box.bottom + y;
      const free = (spot) => !taken.some((other) => lies_on(other, spot));
      const open = node.classList.contains("hole") && box.width ? ASIDE.find((spot) => free(spot) && !marks.some((mark) => lies_on(mark, spot))) : null;
      const [x, y] = open || [0, 0];
      const hidden = !free([x, y]);
      Object.assign(span.style, { left: `${x}px`, top: `${y}px` });
      node.style.visibility = hidden ? "hidden" : "";
      if (!hidden) { taken.push(new DOMRect(box.x + x, box.y + y, box.width, box.height)); }
    }
  }

  function bind_print() {
    // The paper's size is not known to the map until the class gives it; then the same ground is fitted in again.
    let shown = null;
    let fitted = null;
    const resize = (printing) => {
      if (printing) { shown = page.map.getBounds(); fitted = paper_bounds(); }
      document.body.classList.toggle("printing", printing);
      for (const { map } of page.views) {
        map.getContainer().classList.toggle("printing", printing);
        map.invalidateSize({ animate: false });
      }
      page.map.fitBounds(printing ? fitted : shown, { animate: false });
      part_labels();
    };
    window.addEventListener("beforeprint", () => resize(true));
    window.addEventListener("afterprint", () => resize(false));
  }

  function start(map, visits, given) {
    page = { ...given, map, visits, layers: visits[0], views: [{ map, visit: 0, ground: visits[0] }] };
    page.map.attributionControl.setPrefix("Leaflet");
    find("#layers").addEventListener("toggle", uncover);
    window.addEventListener("resize", open_layers);
    open_layers();
    set_up(page.views[0]);
    bind_layers();
    bind_rasters();
    bind_visits();
    show_visits();
    bind_units();
    bind_moves();
    bind_rest();
    bind_print();
    control("topleft", north);
    if (navigator.geolocation) { control("topleft", position_button); }
    uncover();
    page.map.invalidateSize({ animate: false });
    fit(page.first_bounds);
    mind_zoom(map);
  }

  return { feature, pair, part_labels, place, start, style, tell, current: () => page };
})();
window.geosample = geosample;  // for the desk, which shows this page in a frame and draws its drafts on it

"use strict";
// Surfaces by hand on the map: what one is, its corners moved, a new one drawn; read again by the command's own checks.
window.draw = (() => {
  const { ask, find, make, words, say } = desk;
  const bar = find("#draw");
  const REACH_PX = 10;
  let now = null;
  let shown = null;
  let begins = false;

  const on = () => desk.the_map();
  const copy = (rings) => rings.map((ring) => ring.map((corner) => ({ lat: corner.lat, lng: corner.lng })));
  const corners_of = (ring) => ring.slice(0, -1).map(([lng, lat]) => ({ lat, lng }));
  const pieces_of = (shape) => ({ Polygon: [shape.coordinates], MultiPolygon: shape.coordinates }[shape.type] || []);

  function inside(ring, at) {
    let odd = false;
    ring.forEach(([lng, lat], place) => {
      const [before_lng, before_lat] = ring[(place || ring.length) - 1];
      if ((lat > at.lat) !== (before_lat > at.lat) && at.lng < lng + (before_lng - lng) * (at.lat - lat) / (before_lat - lat)) { odd = !odd; }
    });
    return odd;
  }

  // A surface or obstacle that was clicked: its kind and hole, and on request its corners, unless it is a line.
  function choose(feature, at) {
    if (desk.loading()) { return; }
    leave();
    const pieces = pieces_of(feature.geometry);
    const piece = Math.max(0, pieces.findIndex((rings) => inside(rings[0], at)));
    const own = feature.properties;
    begin({ id: own.id || `obstacle ${own.row}`, piece, rings: (pieces[piece] || []).map(corners_of), closed: true, own: feature });
    find("#draw-kind").value = own.look.split(" ")[1];
    find("#draw-hole").value = own.hole || "";
  }

  function draw_new() {
    leave();
    begins = desk.loading();
    if (begins) { say(words.map_comes); return; }
    if (!on()) { say(words.no_picture); return; }
    begin({ id: "", piece: 0, rings: [[]], closed: false, own: null });
    edit();
  }

  function begin(start) {
    now = { ...start, past: [], edits: false, seen: desk.seen() };
    bar.hidden = false;
    find("#draw-id").textContent = now.own ? now.own.properties.id || now.own.properties.name : words.new_surface;
    find("#draw-tools").hidden = true;
    find("#draw-corners").hidden = !now.id || !now.rings.length;
    desk.show_place(true);
    find("#draw-kind").focus();
  }

  function edit() {
    const { map, layers, page } = on();
    now.edits = true;
    now.others = [...(layers.surfaces || []), ...(layers.obstacles || [])].flatMap((group) => group.getLayers())
      .filter((layer) => layer.feature && layer.feature.geometry.type.endsWith("Polygon") && layer.feature !== now.own)
      .flatMap((layer) => pieces_of(layer.feature.geometry).flat()).map((ring) => ring.map(([lng, lat]) => ({ lat, lng })));
    find("#draw-tools").hidden = false;
    find("#draw-corners").hidden = true;
    find("#cross").hidden = false;
    page.current().quiet = true;
    map.doubleClickZoom.disable();
    for (const name of ["ground", "obstacles"]) { map.getPane(name).style.opacity = 0.5; }
    for (const name of ["rasters", "zones", "markerPane"]) { map.getPane(name).style.visibility = "hidden"; }
    if (now.id && !now.past.length) { map.fitBounds(now.rings[0].map((corner) => [corner.lat, corner.lng]), { animate: false, maxZoom: 21 }); }
    map.on("click", clicked);
    map.on("moveend", show);
    map.getContainer().addEventListener("keydown", key);
    desk.find("#map").contentWindow.focus();
    map.getContainer().focus({ preventScroll: true });
    show();
    aim(map.getContainer().getBoundingClientRect());
  }

  // The map's page goes, or the drawing ends: what was changed on the map is put back.
  function detach() {
    if (now && now.edits && on()) {
      const { map, page } = on();
      page.current().quiet = false;
      map.doubleClickZoom.enable();
      for (const name of ["ground", "obstacles", "rasters", "zones", "markerPane"]) { Object.assign(map.getPane(name).style, { opacity: "", visibility: "" }); }
      map.off("click", clicked);
      map.off("moveend", show);
      map.getContainer().removeEventListener("keydown", key);
      if (shown) { shown.remove(); }
    }
    shown = null;
  }

  // On the map's new page a drawing goes on where it was, or begins.
  function resume() {
    if (begins) { say(""); draw_new(); } else if (now && now.edits) { edit(); }
  }

  function leave() {
    detach();
    now = null;
    bar.hidden = true;
    find("#cross").hidden = true;
  }

  // The cross stands in the middle of what is seen.
  function aim(box) {
    Object.assign(find("#cross").style, { left: `${box.left + box.width / 2}px`, top: `${box.top + box.height / 2}px` });
  }

  // Corners are drawn as the page draws points; only those in view, so that a long outline stays quick.
  function show() {
    const { map, page, L } = on();
    if (shown) { shown.remove(); }
    shown = L.layerGroup();
    const look = { color: "#D55E00", weight: 4, fill: false, interactive: false };
    now.line = now.closed ? L.polygon(now.rings, look) : L.polyline(now.rings[0], look);
    shown.addLayer(now.line);
    const seen = map.getBounds();
    let room = 300;
    now.rings.forEach((ring, at) => ring.forEach((corner, place) => {
      if (!seen.contains(corner) || room === 0) { return; }
      room -= 1;
      const mark = page.place({ properties: { look: "point planned", mark: "", name: "" } }, [corner.lat, corner.lng]);
      Object.assign(mark.options, { draggable: true, pane: "popupPane" });
      mark.on("dragstart", keep);
      mark.on("drag", () => { now.rings[at][place] = mark.getLatLng(); now.line.setLatLngs(now.closed ? now.rings : now.rings[0]); });
      mark.on("dragend", () => { now.rings[at][place] = snap(mark.getLatLng()); show(); });
      mark.on("click", () => { if (!now.closed && place === 0 && ring.length > 2) { keep(); now.closed = true; show(); } });
      shown.addLayer(mark);
    }));
    shown.addTo(map);
    find("#draw-count").textContent = words.corners.replace("{n}", now.rings.reduce((sum, ring) => sum + ring.length, 0));
  }

  const keep = () => { now.past.push({ rings: copy(now.rings), closed: now.closed }); };

  // The place of an edge of a ring that is nearest, and how far that is on the screen.
  function nearest_edge(ring, at, closed) {
    const { map, L } = on();
    const spot = map.latLngToContainerPoint(at);
    let best = { far: Infinity };
    ring.forEach((corner, place) => {
      const end = ring[place + 1] || (closed ? ring[0] : null);
      if (!end) { return; }
      const hit = L.LineUtil.closestPointOnSegment(spot, map.latLngToContainerPoint(corner), map.latLngToContainerPoint(end));
      const far = spot.distanceTo(hit);
      if (far < best.far) { best = { far, place, at: map.containerPointToLatLng(hit) }; }
    });
    return best;
  }

  // A corner put near a neighbour's takes its place, or lies down on its edge: no gap and no overlap is left between.
  function snap(at) {
    const { map } = on();
    const spot = map.latLngToContainerPoint(at);
    const box = [map.containerPointToLatLng(spot.add([-REACH_PX, REACH_PX])), map.containerPointToLatLng(spot.add([REACH_PX, -REACH_PX]))];
    const near = now.others.filter((ring) => ring.some((corner, place) => {
      const end = ring[place + 1] || corner;
      return Math.min(corner.lat, end.lat) <= box[1].lat && Math.max(corner.lat, end.lat) >= box[0].lat && Math.min(corner.lng, end.lng) <= box[1].lng && Math.max(corner.lng, end.lng) >= box[0].lng;
    }));
    const corners = near.flat().map((corner) => ({ corner, far: spot.distanceTo(map.latLngToContainerPoint(corner)) })).filter((one) => one.far <= REACH_PX);
    if (corners.length) { return { ...corners.sort((one, two) => one.far - two.far)[0].corner }; }
    const edges = near.map((ring) => nearest_edge(ring, at, false)).filter((one) => one.far <= REACH_PX);
    return edges.length ? edges.sort((one, two) => one.far - two.far)[0].at : { lat: at.lat, lng: at.lng };
  }

  function add(at) {
    if (!now.closed) { keep(); now.rings[0].push(snap(at)); show(); return; }
    const edges = now.rings.map((ring, place) => ({ ...nearest_edge(ring, at, true), ring: place }));
    const best = edges.sort((one, two) => one.far - two.far)[0];
    keep();
    now.rings[best.ring].splice(best.place + 1, 0, snap(at));
    show();
  }

  function nearest_corner(at) {
    const { map } = on();
    const spot = map.latLngToContainerPoint(at);
    return now.rings.flatMap((ring, of) => ring.map((corner, place) => ({ of, place, far: spot.distanceTo(map.latLngToContainerPoint(corner)) })))
      .sort((one, two) => one.far - two.far)[0];
  }

  const steps = {
    add: () => add(on().map.getCenter()),
    move: () => { const best = nearest_corner(on().map.getCenter()); if (best) { keep(); now.rings[best.of][best.place] = snap(on().map.getCenter()); show(); } },
    drop: () => {
      const best = nearest_corner(on().map.getCenter());
      if (best && (!now.closed || now.rings[best.of].length > 3)) { keep(); now.rings[best.of].splice(best.place, 1); show(); }
    },
    undo: () => { const last = now.past.pop(); if (last) { Object.assign(now, last); show(); } },
  };

  // A click adds a corner; on an outline that is closed only where it meets the line.
  function clicked(event) {
    if (!now.closed || now.rings.some((ring) => nearest_edge(ring, event.latlng, true).far < REACH_PX)) { add(event.latlng); }
  }

  function key(event) {
    const ways = { Enter: "add", m: "move", Delete: "drop", Backspace: "undo" };
    const way = event.key === "z" && (event.ctrlKey || event.metaKey) ? "undo" : ways[event.key];
    if (event.key === "Escape") { leave(); return; }
    if (way) { event.preventDefault(); steps[way](); }
  }

  async function done() {
    const drawn = now.edits && (now.past.length > 0 || !now.id);
    const rings = drawn ? now.rings.map((ring) => ring.map((corner) => [corner.lng, corner.lat])) : [];
    if (drawn && rings.some((ring) => ring.length < 3)) { say(words.few_corners); return; }
    const told = await ask("/correct", { seen: now.seen, surface_id: now.id, piece: now.piece, rings, kind: find("#draw-kind").value, hole: find("#draw-hole").value.trim() });
    if (!told) { await desk.look(); now.seen = desk.seen(); return; }
    leave();
    desk.show_place(false);
    desk.run("ground", false, told.answers);
  }

  // The user's own picture, placed by places in it and on Earth: each becomes a pair of the command's --aerial-pairs.
  const under = (name) => find(`#under [data-under=${name}]`);
  const spot = { at: null, pairs: [] };

  function open_spots() {
    const name = under("aerial").value;
    if (!/\.(png|jpe?g)$/i.test(name)) { say(words.spot_first); return; }
    leave();
    Object.assign(spot, { at: null, pairs: [] });
    const picture = find("#spot-picture");
    const room = find("#spot-room");
    picture.onload = () => { picture.style.width = `${room.clientWidth}px`; aim({ left: room.offsetLeft, top: room.offsetTop, width: room.clientWidth, height: room.clientHeight }); };
    picture.src = `/dropped/${encodeURIComponent(name)}`;
    find("#spot").hidden = false;
    desk.show_place(true);
    show_spots();
    room.focus();
  }

  function close_spots() {
    find("#spot").hidden = true;
    find("#cross").hidden = true;
  }

  function show_spots() {
    const many = spot.pairs.length;
    const picture = find("#spot-picture");
    for (const mark of find("#spot-whole").querySelectorAll("b")) { mark.remove(); }
    [...spot.pairs.map((pair) => pair.at), ...(spot.at ? [spot.at] : [])].forEach(([column, row], place) => {
      const mark = make("b", String(place + 1));
      Object.assign(mark.style, { left: `${100 * column / picture.naturalWidth}%`, top: `${100 * row / picture.naturalHeight}%` });
      find("#spot-whole").append(mark);
    });
    find("#spot-where").hidden = !spot.at;
    find("#spot-says").textContent = (spot.at ? words.spot_where : words.spot).replace("{n}", spot.at ? many + 1 : many);
    find("#spot-map").disabled = !on();
    find("#spot-lay").disabled = many < 3;
    find("#cross").hidden = Boolean(spot.at);
  }

  function mark_spot(x, y) {
    const picture = find("#spot-picture");
    const box = picture.getBoundingClientRect();
    const share = [(x - box.left) / box.width, (y - box.top) / box.height];
    if (share.some((part) => part < 0 || part > 1)) { return; }
    spot.at = [share[0] * picture.naturalWidth, share[1] * picture.naturalHeight];
    find("#spot-lonlat").value = "";
    show_spots();
    find("#spot-lonlat").focus();
  }

  function take_spot(lonlat) {
    find("#spot").hidden = false;
    if (!/^-?\d+(\.\d+)?,-?\d+(\.\d+)?$/.test(lonlat)) { return; }
    spot.pairs.push({ at: spot.at, lonlat });
    spot.at = null;
    under("aerial-pairs").value = spot.pairs.map((pair) => `${pair.at.map((part) => part.toFixed(1))}=${pair.lonlat}`).join("; ");
    show_spots();
    find("#spot-room").focus();
  }

  function bind_spots() {
    const room = find("#spot-room");
    find("#spot-open").addEventListener("click", open_spots);
    find("#spot-leave").addEventListener("click", close_spots);
    find("#spot").addEventListener("keydown", (event) => { if (event.key === "Escape") { close_spots(); find("#spot-open").focus(); } });
    find("#spot-picture").addEventListener("click", (event) => mark_spot(event.clientX, event.clientY));
    room.addEventListener("keydown", (event) => {
      const box = room.getBoundingClientRect();
      if (event.key === "Enter") { event.preventDefault(); mark_spot(box.left + room.clientWidth / 2, box.top + room.clientHeight / 2); }
    });
    find("#spot-take").addEventListener("click", () => take_spot(find("#spot-lonlat").value.replace(/\s/g, "")));
    find("#spot-lonlat").addEventListener("keydown", (event) => { if (event.key === "Enter") { find("#spot-take").click(); } });
    find("#spot-map").addEventListener("click", () => { close_spots(); desk.pick_place(take_spot); });
    find("#spot-lay").addEventListener("click", () => { close_spots(); find("#under-do").click(); });
    for (const button of find("#spot").querySelectorAll("[data-grow]")) {
      button.addEventListener("click", () => {
        const picture = find("#spot-picture");
        const [wide, at] = [picture.clientWidth, [room.scrollLeft + room.clientWidth / 2, room.scrollTop + room.clientHeight / 2]];
        picture.style.width = `${Math.round(wide * Number(button.dataset.grow))}px`;
        const grown = picture.clientWidth / wide;
        room.scrollTo(at[0] * grown - room.clientWidth / 2, at[1] * grown - room.clientHeight / 2);
      });
    }
  }

  bind_spots();
  for (const kind of desk.kinds) { find("#draw-kind").append(new Option(kind, kind)); }
  for (const button of bar.querySelectorAll("[data-way]")) { button.addEventListener("click", () => steps[button.dataset.way]()); }
  find("#draw-new").addEventListener("click", draw_new);
  find("#draw-corners").addEventListener("click", edit);
  find("#draw-done").addEventListener("click", done);
  find("#draw-leave").addEventListener("click", leave);
  return { choose, detach, resume, active: () => Boolean(now && now.edits) };
})();

"use strict";
// One page for the round and the bench. Every tap that says something becomes an entry: it is on the phone's disk before the
// screen goes on, is never changed, and another entry replaces or withdraws it. A desk, where there is one, is sent each.
(() => {
  const given = JSON.parse(document.getElementById("given").textContent);
  const words = given.words;
  const find = (mark) => document.querySelector(mark);
  const screen = find("#screen");
  const fill = (text, facts) => text.replace(/\{(\w+)\}/g, (_, name) => facts[name]);
  const now = () => Date.now();
  function stamp(time) {  // local time with its offset, as ISO 8601 writes it
    const day = new Date(time), ahead = -day.getTimezoneOffset(), two = (n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
    const date = `${day.getFullYear()}-${two(day.getMonth() + 1)}-${two(day.getDate())}`;
    return `${date}T${two(day.getHours())}:${two(day.getMinutes())}:${two(day.getSeconds())}${ahead < 0 ? "-" : "+"}${two(ahead / 60)}:${two(ahead % 60)}`;
  }
  const show_time = (time) => new Date(time).toLocaleString(undefined, { weekday: "short", hour: "2-digit", minute: "2-digit" });
  // A name or note as the desk and the tables take it: one line, without signs that show nothing.
  const clean = (text) => text.replace(/[\s\p{Z}]+/gu, " ").replace(/\p{C}/gu, "").trim();
  const draw_id = (long) => [...crypto.getRandomValues(new Uint8Array(long))].map((n) => "0123456789abcdefghjkmnpqrstvwxyz"[n % 32]).join("");

  function make(kind, told, ...inside) {
    const one = document.createElement(kind);
    for (const [name, value] of Object.entries(told || {})) {
      if (name === "tap") { one.addEventListener("click", value); } else if (name === "data") { Object.assign(one.dataset, value); }
      else if (value === true) { one.setAttribute(name, ""); } else if (value !== false && value !== undefined) { one.setAttribute(name, value); }
    }
    one.append(...inside.filter((part) => part !== null && part !== undefined));
    return one;
  }
  const button = (text, tap, look, data) => make("button", { type: "button", tap, class: look, data }, text);

  // ---- what the phone keeps -----------------------------------------------------------------------------------------------
  const store = (() => {
    const name = `geosample ${given.visit} ${given.design_code}`;
    const boxes = { entries: "entry_id", clocks: "clock_id", own: "name" };
    let base = null, plain = null;
    const PATIENCE_MS = 8000;  // a browser that lost its store says nothing at all
    const soon = (work, late) => Promise.race([work, new Promise((done) => { setTimeout(() => done(late()), PATIENCE_MS); })]);
    function open() {
      return soon(new Promise((done) => {
        try {
          const asked = indexedDB.open(name, 1);
          asked.onupgradeneeded = () => { for (const [box, key] of Object.entries(boxes)) { asked.result.createObjectStore(box, { keyPath: key }); } };
          asked.onsuccess = () => { base = asked.result; base.onclose = () => { base = null; }; done(); };
          asked.onerror = asked.onblocked = () => { use_plain(); done(); };
        } catch { use_plain(); done(); }
      }), () => { if (!base) { use_plain(); } });
    }
    function use_plain() {
      try { localStorage.setItem(name, "1"); plain = localStorage.getItem(name) ? localStorage : null; } catch { plain = null; }
    }
    // Strict: done is said when the disk has it, so that a battery that goes flat takes nothing.
    function write(box, work_with) {
      return soon(new Promise((done) => {
        try {
          const work = base.transaction(box, "readwrite", { durability: "strict" });
          work.oncomplete = () => done(true);
          work.onerror = work.onabort = () => done(false);
          work_with(work.objectStore(box));
        } catch { done(false); }
      }), () => false);
    }
    async function put(box, ...values) {
      const put_all = (into) => { for (const value of values) { into.put(value); } };
      if (base && await write(box, put_all)) { return true; }
      if (!plain) {  // a phone that slept takes the store away: it is opened anew, once
        base = null;
        await open();
        if (base) { return write(box, put_all); }
      }
      if (!plain) { return false; }
      try { for (const value of values) { plain.setItem(`${name} ${box} ${value[boxes[box]]}`, JSON.stringify(value)); } } catch { return false; }
      return true;
    }
    async function all(box) {
      const found = new Map(), start = `${name} ${box} `;
      try {  // what an earlier day could put nowhere else
        for (const key of Object.keys(localStorage)) { if (key.startsWith(start)) { const value = JSON.parse(localStorage.getItem(key)); found.set(value[boxes[box]], value); } }
      } catch { /* none there */ }
      for (const value of base ? await read_base(box) : []) { found.set(value[boxes[box]], value); }
      return [...found.values()];
    }
    function read_base(box) {
      return soon(new Promise((done) => {
        try {
          const asked = base.transaction(box).objectStore(box).getAll();
          asked.onsuccess = () => done(asked.result);
          asked.onerror = () => done([]);
        } catch { done([]); }
      }), () => []);
    }
    // Who this phone is, is settled once for all its windows.
    async function settle(box, value) {
      if (base) {
        await write(box, (into) => { const asked = into.get(value[boxes[box]]); asked.onsuccess = () => { if (!asked.result) { into.put(value); } }; });
      } else if (!(await all(box)).length) { await put(box, value); }
      return (await all(box))[0] || value;
    }
    return { open, put, all, settle, get sure() { return Boolean(base || plain); } };
  })();

  let entries = new Map(), clocks = new Map(), own = { name: "me", phone: "", person: "" };
  let desk = { points: {}, bags: {}, busy: {}, totals: {}, people: [] }, link = given.desk ? "away" : "none", token = "";
  let tab = "field", chosen = "", held_point = "", listing = "", form = "", draft = null, looked = {}, whole_map = false, fix = null, can_undo = "", busy = false;
  let moving = null, timing = {}, lay_out = null;
  const unsaved = new Set(), counted_elsewhere = new Set();

  const in_order = () => [...entries.values()].sort((a, b) => a.at - b.at);
  function standing() {
    const gone = new Set([...entries.values()].map((one) => one.cells.replaces).filter(Boolean));
    return in_order().filter((one) => !gone.has(one.entry_id) && one.cells.status !== "withdrawn");
  }
  const pull_of = (point) => standing().filter((one) => one.cells.point_id === point && !one.cells.sample_id).pop();
  const count_of = (bag) => standing().filter((one) => one.cells.sample_id === bag).pop();
  const could_not = (cells) => ["unreachable", "off_turf"].includes(cells.status);

  async function keep(cells, told) {
    if (busy) { return false; }
    busy = true;
    const entry_id = `${own.phone}-${draw_id(10)}`;
    const one = { entry_id, at: Math.max(now(), ...[...entries.values()].map((old) => old.at + 1)), sent: false, refused: "",
      cells: { ...cells, entry_id, design_code: given.design_code, visit: given.visit } };
    const late = [...unsaved].map((id) => entries.get(id));
    const kept = await store.put("entries", ...late, one);
    entries.set(entry_id, one);
    if (kept) { unsaved.clear(); } else { unsaved.add(entry_id); }
    busy = false;
    can_undo = entry_id;
    say(kept ? told : words.not_kept);
    sync();
    return true;
  }
  // Another window of this browser writes to the same disk.
  async function hear_windows() {
    let news = false;
    for (const one of await store.all("entries")) {
      const mine = entries.get(one.entry_id);
      if (!mine) { entries.set(one.entry_id, one); news = true; } else if (one.sent) { mine.sent = true; }
    }
    for (const one of await store.all("clocks")) {
      const mine = clocks.get(one.clock_id);
      if (!mine || (one.ended && !mine.ended)) { clocks.set(one.clock_id, one); news = true; }
    }
    if (news) { show_news(); }
  }
  const say = (text) => { find("#said").textContent = text; };

  async function undo() {
    const last = entries.get(can_undo);
    if (!last || busy) { return; }
    if (!standing().includes(last)) { can_undo = ""; show_state(); return; }  // said anew since, in another window
    const before = entries.get(last.cells.replaces);
    const { point_id, sample_id, collector, counted_by } = last.cells;
    const said = before ? { ...before.cells } : { point_id, sample_id, collector, counted_by, status: "withdrawn" };
    if (!await keep({ ...said, replaces: last.entry_id }, fill(words.undone, { what: sample_id || point_id }))) { return; }
    can_undo = "";
    chosen = sample_id || point_id;
    tab = sample_id ? "bench" : "field";
    listing = form = "";
    draft = null;
    if (sample_id && last.cells.status !== "withdrawn") { draft = draft_of(bag_of(sample_id), last.cells); }
    show();
  }

  // ---- the round ----------------------------------------------------------------------------------------------------------
  const point_of = (id) => given.points.find((one) => one.point_id === id);
  const told_of = (id) => { const mine = pull_of(id); return mine ? mine.cells : desk.points[id]; };
  function due_points() {
    const open = (one) => !told_of(one.point_id);
    const mains = given.points.filter((one) => one.role === "main" && open(one));
    const spare = [];
    for (const stratum of new Set(given.points.map((one) => one.stratum))) {
      const here = given.points.filter((one) => one.stratum === stratum);
      const lacking = here.filter((one) => told_of(one.point_id) && could_not(told_of(one.point_id))).length;
      const reserve = here.filter((one) => one.role === "reserve");
      const taken = reserve.filter((one) => !open(one)).length;
      spare.push(...reserve.filter(open).slice(0, Math.max(lacking - taken, 0)));
    }
    return [...spare, ...mains];
  }

  function pulled(point, more, told) {
    const before = pull_of(point.point_id), was = before && !could_not(before.cells) ? before.cells : null;
    const cells = { point_id: point.point_id, plugs: String(moving ? moving.plugs : given.plugs), moved: "no", collector: own.person, collected_at: stamp(now()), replaces: before ? before.entry_id : "" };
    if (was && !moving) { Object.assign(cells, copy(was, ["plugs", "moved", "moved_to", "lat", "lon", "accuracy_m"])); }
    if (was && was.hole_filled === "no" && more.hole_filled === "yes") { Object.assign(cells, copy(was, ["collector", "collected_at"])); }  // only the hole is filled now
    Object.assign(cells, more);
    if (could_not(cells)) { Object.assign(cells, { plugs: "", moved: "", moved_to: "", lat: "", lon: "", accuracy_m: "", method: given.methods.length === 1 ? given.methods[0] : "" }); }
    return keep(cells, fill(told, { what: point.point_id })).then((kept) => { if (kept) { chosen = held_point = form = listing = ""; fix = moving = null; show(); } });
  }
  const copy = (cells, names) => Object.fromEntries(names.map((name) => [name, cells[name] || ""]));
  function open_form(name, point) {
    form = name;
    fix = moving = null;
    if (name === "moved") {
      const mine = pull_of(point.point_id), was = mine && !could_not(mine.cells) ? mine.cells : {};
      moving = { plugs: Number(was.plugs || given.plugs), where: was.moved_to || "", moved: was.moved === "yes" };
      if (was.lat) { fix = { lat: Number(was.lat), lon: Number(was.lon), accuracy_m: Number(was.accuracy_m) }; }
    }
    show();
  }
  const close_form = () => { form = ""; fix = moving = null; show(); };

  function show_field() {
    if (listing) { return show_round(); }
    const point = point_of(chosen) || point_of(held_point) || due_points()[0];
    if (!point) { return screen.append(make("h1", {}, words.round_done), button(words.list, () => { listing = "points"; show(); })); }
    held_point = point.point_id;  // also when another pulls it meanwhile, so that a tap says what it was meant for
    if (form === "moved") { return show_moved(point); }
    if (form === "could_not") { return show_could_not(point); }
    screen.className = "fixed";
    const told = told_of(point.point_id);
    const left = due_points().length;
    const role = point.role === "reserve" ? ` ${words.reserve}` : "";
    screen.append(
      make("div", { class: "top" },
        make("div", {}, make("h1", {}, point.point_id), make("p", { class: "quiet" }, `${point.place}${role}. ${fill(words.left, { left })}`)),
        button(words.list, () => { listing = "points"; show(); })),
      make("p", { class: "words" }, point.words, point.from ? make("span", { class: "quiet" }, ` (${fill(words.from_last, { way: point.from })})`) : null));
    if (told) { screen.append(make("p", { class: "entry" }, `${words.said_before}: ${tell_pull(told)}`)); }
    screen.append(draw_map(point), make("div", { class: "two" },
      button(words.pulled_filled, () => pulled(point, { hole_filled: "yes" }, words.kept_filled), "go", { keeps: "yes" }),
      button(words.pulled_open, () => pulled(point, { hole_filled: "no" }, words.kept_open), "", { keeps: "yes" }),
      button(words.moved, () => open_form("moved", point)),
      button(words.could_not, () => open_form("could_not", point))));
  }

  function tell_pull(told) {
    if (could_not(told)) { return `${words.could_not} ${told.could_not || told.by || ""}`.trim(); }
    const parts = [told.moved === "yes" ? words.list_moved : words.list_pulled, told.hole_filled === "no" ? words.list_open : "", told.by || ""];
    return parts.filter(Boolean).join(", ");
  }

  function show_round() {
    const due = due_points().map((one) => one.point_id);
    const list = make("div", { class: "list" }), told_in = [];
    let hole = null;
    for (const point of [...given.points].sort((a, b) => (a.role === b.role ? a.order - b.order : a.role === "main" ? -1 : 1))) {
      const head = point.role === "reserve" ? words.reserve_head : point.head;
      if (head !== hole) { list.append(make("h2", {}, head)); hole = head; }
      const row = button("", () => { chosen = point.point_id; listing = ""; show(); }, "", { point: point.point_id });
      const sign = make("span", {}), far = make("span", { class: "far" });
      row.append(sign, make("span", {}, point.point_id), far);
      list.append(row);
      told_in.push(() => {
        const told = told_of(point.point_id);
        sign.textContent = told ? (could_not(told) ? "✗" : told.hole_filled === "no" ? "○" : "✓") : due_points().includes(point) ? "" : "·";
        far.textContent = told ? tell_pull(told) : point.kind;
      });
    }
    lay_out = () => { for (const tell of told_in) { tell(); } };
    lay_out();
    screen.append(make("div", { class: "top" }, make("p", {}, words.round_signs), button(words.back, () => { listing = chosen = held_point = ""; show(); })), list);
    const first = list.querySelector(`[data-point="${CSS.escape(due[0] || "")}"]`);
    if (first) { first.scrollIntoView({ block: "center" }); }
  }

  function show_moved(point) {
    const plugs = make("b", { id: "plugs" }, String(moving.plugs));
    const step = (by) => () => { moving.plugs = Math.max(1, Math.min(99, moving.plugs + by)); plugs.textContent = String(moving.plugs); };
    const where = make("input", { id: "where", maxlength: 120, placeholder: words.where_example, autocomplete: "off" });
    where.value = moving.where;
    where.addEventListener("input", () => { moving.where = where.value; });
    const place = make("p", { class: "quiet" }, tell_fix(point));
    const done = (hole_filled) => {
      const at = fix ? { lat: String(fix.lat), lon: String(fix.lon), accuracy_m: fix.accuracy_m.toFixed(1) } : {};
      const text = clean(moving.where);
      if (!text && !fix && !moving.moved && moving.plugs === given.plugs) { say(words.where_needed); where.focus(); return; }
      pulled(point, { hole_filled, moved: text || fix ? "yes" : "no", moved_to: text, ...at }, hole_filled === "yes" ? words.kept_filled : words.kept_open);
    };
    screen.append(make("div", { class: "top" }, make("h1", {}, point.point_id), button(words.back, close_form)),
      make("div", { class: "row" }, button("−", step(-1)), make("p", {}, `${words.plugs}: `, plugs), button("+", step(1))),
      make("label", {}, words.where, where), place);
    if (given.position !== "no" && isSecureContext && navigator.geolocation) { screen.append(button(words.ask_position, () => ask_position(point, place))); }
    screen.append(make("div", { class: "two" }, button(words.pulled_filled, () => done("yes"), "go", { keeps: "yes" }), button(words.pulled_open, () => done("no"), "", { keeps: "yes" })));
    if (fix) { screen.append(draw_map(point)); }
  }

  function tell_fix(point) {
    if (!isSecureContext || !navigator.geolocation) { return words.no_position; }
    if (!fix) { return words.position_may; }
    const far = given.units === "us" ? `${Math.round(fix.accuracy_m / given.foot_m)} ft` : `${fix.accuracy_m.toFixed(0)} m`;
    return `${fill(words.fix, { far })} ${point.kind === "collar" || point.kind === "green" ? words.words_better : ""}`;
  }

  function ask_position(point, place) {
    place.textContent = words.waiting_fix;
    navigator.geolocation.getCurrentPosition((got) => {
      if (!place.isConnected) { return; }  // it came late: another point is at hand
      fix = { lat: got.coords.latitude, lon: got.coords.longitude, accuracy_m: got.coords.accuracy };
      place.textContent = tell_fix(point);
      const old = screen.querySelector(".map");
      if (old) { old.remove(); }
      screen.append(draw_map(point));
    }, (error) => { place.textContent = `${words.fix_failed} (${error.message})`; }, { enableHighAccuracy: true, timeout: 20000, maximumAge: 0 });
  }

  function show_could_not(point) {
    const other = make("input", { id: "why", maxlength: 120, autocomplete: "off" });
    const because = (status, why) => pulled(point, { status, could_not: why }, words.kept_could_not);
    screen.append(make("div", { class: "top" }, make("h1", {}, `${point.point_id}: ${words.could_not}`), button(words.back, close_form)),
      make("div", { class: "two" }, ...given.reasons.map(([status, why]) => button(why, () => because(status, why), "", { why: status, keeps: "yes" }))),
      make("label", {}, words.other_reason, other),
      button(words.keep_reason, () => { if (clean(other.value)) { because("unreachable", clean(other.value)); } else { other.focus(); } }, "go"));
  }

  const SVG = "http://www.w3.org/2000/svg";
  function draw(picture, kind, told, text) {
    const one = document.createElementNS(SVG, kind);
    for (const [name, value] of Object.entries(told)) { one.setAttribute(name, value); }
    if (text) { one.textContent = text; }
    picture.append(one);
  }
  // A bar and north at the foot of whatever part of the map is shown, as large on the screen whichever it is.
  function draw_scale(picture, map, [west, top, wide, high]) {
    const size = high / 70, foot = top + high - 3 * size, left = west + 3 * size;
    const step = [10, 20, 50, 100, 200, 500].filter((n) => n * (given.units === "us" ? given.foot_m : 1) * map.mm_per_m < wide / 2).pop() || 10;
    const bar = step * (given.units === "us" ? given.foot_m : 1) * map.mm_per_m;
    draw(picture, "rect", { x: left - size, y: foot - 6.5 * size, width: bar + 12 * size, height: 8 * size, fill: "#ffffff" });
    draw(picture, "path", { d: `M${left} ${foot - 1.5 * size}V${foot}H${left + bar}V${foot - 1.5 * size}`, fill: "none", stroke: "#000000", "stroke-width": 0.7 * size });
    draw(picture, "text", { x: left + bar / 2, y: foot - 2 * size, "font-size": 3.6 * size, "text-anchor": "middle" }, `${step} ${given.units === "us" ? "ft" : "m"}`);
    draw(picture, "path", { d: "M0 -3L1.6 2.4L0 1.4L-1.6 2.4Z", transform: `translate(${left + bar + 6 * size} ${foot - 2.4 * size}) scale(${size}) rotate(${-map.turn_deg})` });
  }
  // Every point as large on the screen whichever part is shown; labels beside them where there is room, the one at hand first.
  function draw_marks(picture, map, point, [west, top, wide, high]) {
    const size = high / 70, text = 3.6 * size, taken = [[west, top + high - 11 * size, west + wide, top + high]];
    const shown = map.marks.filter(([x, y]) => x > west && x < west + wide && y > top && y < top + high);
    for (const [x, y, id, reserve] of shown) {
      const done = told_of(id), colour = done ? "#767676" : "#000000";
      draw(picture, "circle", { cx: x, cy: y, r: (reserve ? 0.9 : 1.1) * size, fill: reserve ? "#ffffff" : colour, stroke: reserve ? colour : "#ffffff", "stroke-width": 0.4 * size });
      taken.push([x - 1.2 * size, y - 1.2 * size, x + 1.2 * size, y + 1.2 * size]);
    }
    taken.push([point.x - 4 * size, point.y - 4 * size, point.x + 4 * size, point.y + 4 * size]);
    const rank = ([, , id, reserve]) => (id === point.point_id ? 0 : reserve ? 3 : told_of(id) ? 2 : 1);
    for (const [x, y, id] of [...shown].sort((a, b) => rank(a) - rank(b))) {
      const long = 0.62 * text * id.length, off = (id === point.point_id ? 5 : 2) * size;
      for (const [left, foot] of [[x + off, y + text / 3], [x - off - long, y + text / 3], [x - long / 2, y - off], [x - long / 2, y + off + text * 0.7]]) {
        const box = [left, foot - text * 0.8, left + long, foot + text * 0.1];
        if (left < west || left + long > west + wide || taken.some((one) => one[0] < box[2] && box[0] < one[2] && one[1] < box[3] && box[1] < one[3])) { continue; }
        taken.push(box);
        draw(picture, "text", { x: left, y: foot, "font-size": text, "font-weight": "bold", "font-family": "sans-serif", textLength: long, stroke: "#ffffff", "stroke-width": 0.5 * size, "paint-order": "stroke" }, id);
        break;
      }
    }
  }
  function draw_map(point) {
    const map = given.maps[point.map];
    const box = make("button", { type: "button", class: "map", "aria-label": words.map_label, tap: () => { whole_map = !whole_map; show(); } });
    const picture = new DOMParser().parseFromString(map.svg, "image/svg+xml").documentElement;
    const far = whole_map && map.long, inside = (at, span, all) => Math.max(0, Math.min(at - span / 2, all - span));
    const near = Math.min(map.width_mm, 80), low = Math.min(map.height_mm, 70), room = 1.2 * map.height_mm, broad = Math.max(map.width_mm, room);
    const window_mm = far ? [(map.width_mm - broad) / 2, -0.04 * room, broad, room] : map.long ? [inside(point.x, near, map.width_mm), inside(point.y, low, map.height_mm), near, low] : [0, 0, map.width_mm, map.height_mm];
    const size = window_mm[3] / 70;
    picture.setAttribute("viewBox", window_mm.join(" "));
    for (const one of picture.querySelectorAll(":scope > path")) { one.remove(); }  // the paper's border, bar and north
    for (const one of far ? picture.querySelectorAll("[stroke-width]") : []) { one.setAttribute("stroke-width", size * one.getAttribute("stroke-width")); }
    const ring = (x, y, radius, colour, thick, see) => draw(picture, "circle", { cx: x, cy: y, r: radius, stroke: colour, "stroke-width": thick, fill: see ? colour : "none", "fill-opacity": see || 0 });
    draw_marks(picture, map, point, window_mm);
    draw_scale(picture, map, window_mm);
    ring(point.x, point.y, 3.2 * size, "#ffffff", 1.6 * size);
    ring(point.x, point.y, 3.2 * size, "#D55E00", size);
    if (fix) {
      const [[a, b], [c, d]] = map.per_degree, east = fix.lon - map.lon, north = fix.lat - map.lat;
      ring(map.x + a * east + b * north, map.y + c * east + d * north, fix.accuracy_m * map.mm_per_m, "#0072B2", 0.8, 0.15);
    }
    box.append(document.importNode(picture, true));
    return box;
  }

  // ---- the bench ----------------------------------------------------------------------------------------------------------
  const all_bags = [...given.bags, ...given.recounts];
  const bag_of = (id) => all_bags.find((one) => one.sample_id === id);
  const cells_of = (bag) => [...given.stages, ...(bag.recount ? [] : given.effort)];  // a trial asks what a bag takes too
  const draft_of = (bag, cells) => {
    const found = Object.fromEntries(cells_of(bag).map((one) => [one.key, cells ? cells[one.key] || "" : ""]));
    return { bag: bag.sample_id, found, total: cells && cells.total ? cells.total : "", at: given.stages[0].key, mode: cells && cells.total ? "total" : "stages", fresh: true, note: (cells && cells.note) || "", others: (cells && cells.others_found) || "" };
  };
  const counted = (bag) => count_of(bag.sample_id) || desk.bags[bag.sample_id];
  const pullable = (bag) => { const told = told_of(bag.point_id); return !(told && could_not(told)) && (bag.role === "main" || told || counted(bag)); };
  // Who counted a bag first, as far as this phone knows; a bag that gave no count has nobody.
  function first_counter(bag) {
    const first = bag.recount || bag.sample_id, mine = count_of(first), theirs = desk.bags[first];
    return mine ? (mine.cells.status ? "" : mine.cells.counted_by) : theirs && !theirs.status ? theirs.by : "";
  }
  // In bench order after the bag counted last here, so that who took up another container goes on in it.
  function next_bag() {
    const last = standing().filter((one) => given.bags.includes(bag_of(one.cells.sample_id))).pop();
    const from = last ? given.bags.indexOf(bag_of(last.cells.sample_id)) + 1 : 0;
    const open = [...given.bags.slice(from), ...given.bags.slice(0, from)].filter((bag) => !counted(bag) && pullable(bag) && !stopped(bag));
    return open.find((bag) => !desk.busy[bag.sample_id]) || open[0];
  }
  const typed_of = (one) => Boolean(one.total || one.note || one.others || Object.values(one.found).some(Boolean));
  const sum_of = (cells) => given.stages.reduce((sum, stage) => sum + Number(cells[stage.key] || 0), Number(cells.total || 0));
  function stop_of(bag) {
    const table = given.stops.find((one) => one.stratum === bag.stratum);
    if (!table) { return null; }
    const mine = standing().filter((one) => (bag_of(one.cells.sample_id) || {}).stratum === bag.stratum && !bag_of(one.cells.sample_id).recount && !one.cells.status);
    const others = desk.totals[bag.stratum] || [0, 0];
    const plugs = mine.reduce((sum, one) => sum + Number((told_of(one.cells.point_id) || {}).plugs || given.plugs), others[0]);
    const total = mine.reduce((sum, one) => sum + sum_of(one.cells), others[1]);
    const row = table.rows.find((one) => one[0] === plugs);
    const verdict = !row ? "" : row[1] !== null && total <= row[1] ? "low" : row[2] !== null && total >= row[2] ? "high" : "on";
    return { plugs, total, verdict };
  }
  const stopped = (bag) => { const stop = stop_of(bag); return Boolean(stop && (stop.verdict === "low" || stop.verdict === "high")); };

  function show_bench() {
    if (listing) { return show_bags(); }
    // The bag on the screen stays there whatever others do: its insects may be on the table already.
    const bag = bag_of(chosen) || (draft && bag_of(draft.bag)) || next_bag();
    if (!bag) { return screen.append(make("h1", {}, words.bench_done), button(words.bags, () => { listing = "bags"; show(); })); }
    if (bag.recount && first_counter(bag) === own.person) {
      return screen.append(make("h1", {}, bag.sample_id), make("p", {}, fill(words.another_person, { person: own.person })),
        button(words.change_person, () => { tab = "kept"; show(); find("#person").focus(); }, "go"), button(words.bags, () => { listing = "bags"; show(); }));
    }
    if (bag.recount && !first_counter(bag) && !counted_elsewhere.has(bag.sample_id)) {
      return screen.append(make("h1", {}, bag.sample_id), make("p", {}, fill(words.first_unknown, { bag: bag.recount })),
        button(words.count_first, () => { chosen = bag.recount; draft = null; show(); }, "go"),
        button(words.first_elsewhere, () => { counted_elsewhere.add(bag.sample_id); show(); }), button(words.bags, () => { listing = "bags"; show(); }));
    }
    if (!draft || draft.bag !== bag.sample_id) {
      const mine = count_of(bag.sample_id);
      draft = draft_of(bag, mine && !mine.cells.status && mine.cells.none_found !== "yes" ? mine.cells : null);
    }
    if (form === "more") { return show_more(bag); }
    if (form === "blanks") { return show_blanks(bag); }
    screen.className = "fixed";
    const before = counted(bag);
    const place = given.bags.indexOf(bag) + 1;
    screen.append(make("div", { class: "top" },
      make("div", {}, make("h1", {}, bag.sample_id), make("p", { class: "quiet line" }, fill(bag.recount ? words.second_line : words.bag_line, { batch: bag.batch, place, of: given.bags.length, person: own.person }))),
      make("div", { class: "row" }, given.desk ? photo_button() : null, button(words.bags, () => { listing = "bags"; show(); }))));
    const stop = bag.recount ? null : stop_of(bag);
    const cells = make("div", { class: "stages" });
    const listed = draft.mode === "total" ? [{ key: "total", name: words.total_only }] : cells_of(bag);
    for (const stage of listed) {
      const one = button("", () => { draft.at = stage.key; draft.fresh = true; tell_cells(); }, "", { stage: stage.key });
      one.append(make("span", {}, given.stages.includes(stage) ? stage.key : stage.name), make("b", {}));
      cells.append(one);
    }
    tell_cells = () => {  // in place: a button drawn anew beneath a second finger loses its tap
      listed.forEach((stage, at) => {
        const one = cells.children[at], value = stage.key === "total" ? draft.total : draft.found[stage.key];
        one.lastChild.textContent = value || "–";
        one.setAttribute("aria-label", `${stage.name} ${value || words.blank}`);
        one.classList.toggle("on", draft.mode === "total" || draft.at === stage.key);
      });
    };
    tell_cells();
    const keys = make("div", { class: "keys" });
    for (const key of ["1", "2", "3", "4", "5", "⌫", "6", "7", "8", "9", "0", "+1"]) { keys.append(button(key, () => press(key), "", { key })); }
    // What others' counts change stands between the stages and the keys: neither moves under a finger.
    screen.append(cells);
    if (before && !bag.recount) {
      screen.append(make("p", { class: "entry line" }, fill(before.cells ? words.counted_here : words.counted_there, { by: before.cells ? before.cells.counted_by : before.by })));
    }
    if (stop && stop.plugs) { screen.append(make("p", { class: "stop line", id: "stop" }, fill(words[`stop_${stop.verdict || "between"}`], stop))); }
    screen.append(keys, make("div", { class: "row" },
      button(words.none_found, () => save_count(bag, { none_found: "yes" }), "", { keeps: "yes" }),
      button(draft.mode === "total" ? words.by_stage : words.total, () => { draft.mode = draft.mode === "total" ? "stages" : "total"; draft.fresh = true; show(); }),
      button(words.more, () => { form = "more"; show(); }),
      button(words.next, () => next(bag), "go", { next: "yes" })));
  }

  let tell_cells = () => {};
  function press(key) {
    const was = draft.mode === "total" ? draft.total : draft.found[draft.at];
    let value = was;
    if (key === "⌫") { value = was.slice(0, -1); } else if (key === "+1") { value = String(Math.min(Number(was || 0) + 1, 99999)); }
    else { value = (draft.fresh ? "" : was) + key; }
    value = value.replace(/^0+(?=\d)/, "").slice(0, 5);
    draft.fresh = false;
    if (draft.mode === "total") { draft.total = value; } else { draft.found[draft.at] = value; }
    tell_cells();
  }

  function next(bag) {
    if (counted(bag) && !typed_of(draft)) { chosen = ""; draft = null; return show(); }
    if (draft.mode === "total") { return draft.total ? save_count(bag, { total: draft.total }) : say(words.nothing_yet); }
    const filled = given.stages.filter((stage) => draft.found[stage.key]);
    if (!filled.length) { return say(words.nothing_yet); }
    const open = given.stages.filter((stage) => !draft.found[stage.key] && looked[stage.key] === undefined);
    if (open.length) { form = "blanks"; return show(); }
    return save_count(bag, Object.fromEntries(given.stages.map((stage) => [stage.key, draft.found[stage.key] || (looked[stage.key] ? "0" : "")])));
  }

  // Zero is a count, blank is not: which of them a blank is here only the counter knows, and is asked once a sitting.
  function show_blanks(bag) {
    const open = given.stages.filter((stage) => !draft.found[stage.key] && looked[stage.key] === undefined);
    const answer = (did) => () => { for (const stage of open) { looked[stage.key] = did; } form = ""; next(bag); };
    screen.append(make("h1", {}, fill(words.blank_head, { stages: open.map((stage) => stage.key).join(", ") })),
      button(words.blank_zero, answer(true), "go", { blank: "zero", keeps: "yes" }), button(words.blank_missing, answer(false), "", { blank: "missing", keeps: "yes" }), make("p", {}, words.blank_once),
      button(words.back, () => { form = ""; show(); }));
  }

  function show_more(bag) {
    const note = make("input", { id: "note", maxlength: 200, autocomplete: "off" }), others = make("input", { id: "others", maxlength: 120, autocomplete: "off" });
    note.value = draft.note || "";
    others.value = draft.others || "";
    for (const one of [note, others]) { one.addEventListener("input", () => { draft.note = clean(note.value); draft.others = clean(others.value); }); }
    screen.append(make("div", { class: "top" }, make("h1", {}, bag.sample_id), button(words.back, () => { form = ""; show(); }, "go")),
      make("h2", {}, words.no_count),
      make("div", { class: "two" }, ...given.fates.map(([status, text]) => button(text, () => save_count(bag, { status }), "", { fate: status, keeps: "yes" }))),
      make("label", {}, words.others_found, others), make("label", {}, words.note, note),
      button(words.ask_again, () => { looked = {}; say(words.asks_again); }));
  }

  async function save_count(bag, found) {
    const before = count_of(bag.sample_id);
    const cells = { sample_id: bag.sample_id, point_id: bag.point_id, method: bag.method, counted_by: own.person, counted_at: stamp(now()),
      others_found: draft.others || "", note: draft.note || "", replaces: before ? before.entry_id : "", ...found };
    for (const { key } of bag.recount ? [] : given.effort) { cells[key] = draft.found[key]; }
    const told = found.status ? words.kept_fate : fill(words.kept_count, { what: "{what}", total: found.none_found ? 0 : sum_of(cells) });
    if (!await keep(cells, fill(told, { what: bag.sample_id }))) { return; }
    chosen = form = "";
    draft = null;
    if (bag.recount) { const rest = given.recounts.find((one) => !counted(one) && first_counter(one)); if (rest) { chosen = rest.sample_id; } }
    show();
  }

  function show_bags() {
    const typed = make("input", { id: "typed", inputmode: "text", autocomplete: "off", placeholder: words.type_bag, "aria-label": words.type_bag });
    const list = make("div", { class: "bags" }), again = make("div", { class: "bags" });
    const plain = (text) => text.toUpperCase().replace(/[^0-9A-Z]/g, "");
    const open = (bag) => { chosen = bag.sample_id; listing = ""; draft = null; show(); };
    const fits = () => all_bags.filter((bag) => plain(bag.sample_id).includes(plain(typed.value)));
    const lay = () => {
      list.replaceChildren();
      again.replaceChildren();
      for (const bag of fits()) {
        if (bag.recount && !typed.value && !first_counter(bag) && !counted(bag)) { continue; }
        const sign = counted(bag) ? "✓ " : desk.busy[bag.sample_id] ? "… " : "";
        (bag.recount ? again : list).append(button(sign + bag.sample_id, () => open(bag), "", { bag: bag.sample_id }));
      }
    };
    typed.addEventListener("input", lay);
    typed.addEventListener("keydown", (event) => { if (event.key === "Enter" && fits().length) { open(fits()[0]); } });
    lay();
    lay_out = lay;
    screen.append(make("div", { class: "top" }, typed, make("div", { class: "row" }, given.desk ? photo_button() : null, button(words.back, () => { listing = ""; show(); }))),
      make("p", { class: "quiet" }, words.bag_signs), list, ...(given.recounts.length ? [make("h2", {}, words.second), again, make("p", { class: "quiet" }, words.second_typed)] : []));
  }

  function photo_button() {
    const pick = make("input", { type: "file", accept: "image/jpeg,image/png", capture: "environment", hidden: true, id: "photo" });
    pick.addEventListener("change", () => { if (pick.files[0]) { read_label(pick.files[0]); } });
    return make("span", {}, button(words.photo, () => pick.click()), pick);
  }

  async function read_label(file) {
    say(words.reading);
    const taps_then = taps;
    let sent = file;
    try {  // a phone's photo is ten times as large as its code needs
      const picture = await createImageBitmap(file), share = Math.min(1, 1600 / Math.max(picture.width, picture.height));
      const small = make("canvas", { width: Math.round(picture.width * share), height: Math.round(picture.height * share) });
      small.getContext("2d").drawImage(picture, 0, 0, small.width, small.height);
      sent = await new Promise((done) => small.toBlob(done, "image/jpeg", 0.85)) || file;
    } catch { /* sent as it is */ }
    try {
      const told = await (await fetch("label", { method: "POST", body: sent, headers: { "X-Desk-Token": token, "Content-Type": "image/jpeg" } })).json();
      if (taps !== taps_then && told.sample_id) { say(fill(words.label_late, { bag: told.sample_id })); return; }  // the hand is elsewhere by now
      say(told.words);
      if (told.sample_id && bag_of(told.sample_id)) { chosen = told.sample_id; listing = ""; draft = null; show(); }
    } catch { say(words.away); }
  }

  // ---- the clock ----------------------------------------------------------------------------------------------------------
  const mine_and_theirs = () => [...clocks.values(), ...(desk.clocks || []).filter((one) => !clocks.has(one.clock_id))].filter((one) => !one.ended);
  const due_of = (clock) => clock.marks.map(([minutes, text]) => ({ time: clock.started + minutes * 60000, text }));
  function span(left_ms) {
    const minutes = Math.ceil(Math.abs(left_ms) / 60000), hours = Math.floor(minutes / 60);
    return hours ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : `${minutes} min`;
  }
  function show_clock() {
    const theirs = [];  // below what this phone taps: they come and go by themselves
    for (const clock of mine_and_theirs()) {
      const box = make("div", { class: "clock", data: { clock: clock.clock_id } }, make("p", {}, make("b", {}, clock.what), ` ${clock.who}`));
      for (const one of due_of(clock)) {
        const left = one.time - now();
        box.append(make("p", {}, `${one.text}: ${left > 0 ? fill(words.due_in, { span: span(left) }) : fill(words.due_since, { span: span(left) })} (${show_time(one.time)})`));
        if (left <= 0) { box.classList.add("past"); }
      }
      if (clocks.has(clock.clock_id)) { box.append(button(words.clock_done, () => put_clock({ ...clock, ended: now() }), "go")); screen.append(box); } else { theirs.push(box); }
    }
    const what = make("input", { id: "what", maxlength: 40, autocomplete: "off" });
    what.value = timing.what ?? fill(words.batch_name, { batch: (next_bag() || { batch: 1 }).batch });
    what.addEventListener("input", () => { timing.what = what.value; });
    screen.append(make("label", {}, words.clock_what, what));
    for (const [name, marks, grade] of given.clocks) {
      screen.append(button(`${name}: ${span(marks[marks.length - 1][0] * 60000)} (${grade})`, () => put_clock({ clock_id: `${own.phone}-${draw_id(6)}`, what: `${clean(what.value)}: ${name}`, who: own.person, started: now(), marks, ended: 0 })));
    }
    const minutes = make("input", { id: "minutes", inputmode: "numeric", maxlength: 4, "aria-label": words.own_minutes, placeholder: words.own_minutes });
    minutes.value = timing.minutes ?? "";
    minutes.addEventListener("input", () => { timing.minutes = minutes.value; });
    screen.append(make("div", { class: "top" }, minutes, button(words.start, () => {
      const many = Number(minutes.value);
      if (many > 0) { put_clock({ clock_id: `${own.phone}-${draw_id(6)}`, what: clean(what.value), who: own.person, started: now(), marks: [[many, words.due]], ended: 0 }); }
    })), make("p", {}, words.clock_sleeps), ...theirs, ...given.cautions.map((text) => make("p", { class: "entry" }, text)), make("h2", {}, words.steps), ...given.steps.map((text) => make("p", {}, text)));
  }
  async function put_clock(clock) {
    timing = {};
    clocks.set(clock.clock_id, { ...clock, sent: false });
    say(await store.put("clocks", clocks.get(clock.clock_id)) ? words.clock_kept : words.not_kept);
    sync();
    show();
  }
  let rung = new Set();
  function look_at_clocks() {
    const past = mine_and_theirs().flatMap((clock) => due_of(clock).filter((one) => one.time <= now()).slice(-1).map((one) => ({ ...one, clock })));
    const due = find("#due");
    due.hidden = !past.length;
    find("[data-tab=clock]").classList.toggle("due", Boolean(past.length));
    due.textContent = past.slice(0, 2).map((one) => `${one.clock.what}: ${one.text}`).join("; ") + (past.length > 2 ? ` +${past.length - 2}` : "");
    for (const one of past) {
      const key = `${one.clock.clock_id} ${one.time}`;
      if (!rung.has(key)) { rung.add(key); if (navigator.vibrate) { navigator.vibrate([300, 150, 300]); } }
    }
  }

  // ---- what is kept, and the way out --------------------------------------------------------------------------------------
  const waiting = () => [...entries.values()].filter((one) => !one.sent && !one.refused);
  const refused = () => [...entries.values()].filter((one) => one.refused);
  function show_kept() {
    const person = make("input", { id: "person", maxlength: 40, autocomplete: "off" });
    person.value = own.person;
    const rename = async () => { own.person = clean(person.value); looked = {}; await store.put("own", own); say(own.person ? fill(words.hello, { person: own.person }) : words.name_needed); if (own.person) { tab = own.back || "field"; show(); sync(); } };
    person.addEventListener("keydown", (event) => { if (event.key === "Enter") { rename(); } });
    screen.append(make("label", {}, words.who, make("div", { class: "top" }, person, button(words.ok, rename, "go", { ok: "yes" }))));
    if (!store.sure) { screen.append(make("p", { class: "wrong" }, words.keeps_nothing)); }
    if (!own.person) { screen.append(make("p", {}, given.title), make("p", {}, words.begin)); return; }
    screen.append(make("p", { id: "tally" }, fill(given.desk ? words.tally_desk : words.tally, { all: entries.size, waiting: waiting().length })));
    if (given.desk) { screen.append(make("p", {}, words[`link_${link}`]), make("p", { class: "quiet" }, words.unencrypted)); }
    for (const one of refused()) { screen.append(make("p", { class: "wrong" }, fill(words.refused, { what: one.cells.sample_id || one.cells.point_id, why: one.refused }))); }
    if (can_share()) { screen.append(button(words.share, share_file, "go", { share: "yes" })); }
    screen.append(button(words.save_file, save_file, can_share() ? "" : "go", { save: "yes" }), make("p", { class: "quiet" }, words.file_for));
    for (const one of in_order().reverse().slice(0, 300)) {
      const cells = one.cells, said = cells.status === "withdrawn" ? words.withdrawn : cells.sample_id ? cells.status || fill(words.insects, { total: sum_of(cells) }) : tell_pull(cells);
      screen.append(make("p", { class: "entry" }, `${cells.sample_id || cells.point_id}: ${said}${given.desk ? (one.sent ? " ✓" : " …") : ""}`));
    }
  }

  // A spreadsheet would work out what begins so; counts takes the apostrophe off again.
  const safe = (text) => (/^'*(?: *[\t\r\n]|\s*[=+\-@＝＋－＠])/.test(text) && !/^'*[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?$/.test(text) ? `'${text}` : text);
  const cell = (text) => { const plain = safe(text); return /[",\r\n]/.test(plain) ? `"${plain.replace(/"/g, '""')}"` : plain; };
  function make_file() {
    const rows = in_order().map((one) => given.columns.map((name) => cell(String(one.cells[name] ?? ""))).join(","));
    const name = `phone_${given.visit}_${own.person}_${stamp(now()).slice(0, 16)}`.replace(/[^\w.-]+/g, "_");
    return new File([`\ufeff${[given.columns.join(","), ...rows].join("\r\n")}\r\n`], `${name}.csv`, { type: "text/csv" });
  }
  const can_share = () => Boolean(navigator.canShare && navigator.canShare({ files: [new File(["a"], "a.csv", { type: "text/csv" })] }));
  async function share_file() { await hear_windows(); try { await navigator.share({ files: [make_file()] }); say(words.shared); } catch { say(words.not_shared); } }
  async function save_file() {
    await hear_windows();
    const file = make_file(), way = make("a", { href: URL.createObjectURL(file), download: file.name });
    document.body.append(way);
    way.click();
    way.remove();
    setTimeout(() => URL.revokeObjectURL(way.href), 60000);
    say(fill(words.saved_as, { name: file.name }));
  }

  // ---- the desk -----------------------------------------------------------------------------------------------------------
  let syncing = false;
  async function sync() {
    show_state();
    if (!given.desk || syncing || !own.person) { return; }
    syncing = true;
    const stop = new AbortController(), clock = setTimeout(() => stop.abort(), 10000);
    try {
      if (!token) { token = (await (await ask("here", { signal: stop.signal })).json()).token; }
      const some = waiting().slice(0, 50), at = tab === "bench" && draft ? draft.bag : "";
      const times = [...clocks.values()].filter((one) => !one.sent);
      const body = JSON.stringify({ phone: own.phone, person: own.person, code: given.design_code, at, entries: some.map((one) => one.cells), clocks: times });
      const told = await (await ask("sync", { method: "POST", body, signal: stop.signal, headers: { "Content-Type": "application/json", "X-Desk-Token": token } })).json();
      for (const one of some) {
        if (told.got.includes(one.entry_id)) { one.sent = true; } else if (told.refused[one.entry_id]) { one.refused = told.refused[one.entry_id]; }
      }
      for (const one of times) { one.sent = told.clocks_got.includes(one.clock_id); }
      if (some.length) { await store.put("entries", ...some); }
      if (times.length) { await store.put("clocks", ...times); }
      const was = JSON.stringify(desk);
      desk = told.desk;
      link = "here";
      if (JSON.stringify(desk) !== was) { show_news(); }
      look_at_clocks();
    } catch (error) {
      token = "";
      link = { 403: "again", 409: "other" }[error.message] || "away";
    }
    clearTimeout(clock);
    syncing = false;
    show_state();
    if (link === "here" && waiting().length) { setTimeout(sync, 0); }
  }
  async function ask(path, told) {
    const answer = await fetch(path, told);
    if (!answer.ok) { throw new Error(String(answer.status)); }
    return answer;
  }
  const typing = () => ["INPUT", "TEXTAREA"].includes((document.activeElement || {}).tagName);
  // What others did is shown once the finger is off, and never where something is being typed or looked up: there it
  // would move what the finger aims at, or take away what was typed.
  let touched = -Infinity, taps = 0, news_due = 0;
  const tick = () => performance.now();
  addEventListener("pointerdown", (event) => {
    touched = Infinity;
    if (!event.isPrimary && event.target.closest("button")) { say(words.two_fingers); }  // browsers make no tap of these
  }, true);
  for (const kind of ["pointerup", "pointercancel"]) { addEventListener(kind, () => { touched = tick(); }, true); }
  function show_news() {
    clearTimeout(news_due);
    const renaming = find("#person") && find("#person").value !== own.person;
    if (tick() - touched < 400) { news_due = setTimeout(show_news, 400); } else if (listing) { if (lay_out) { lay_out(); } } else if (!typing() && !form && !renaming) { show(); }
  }
  // A wet finger bounces: what would be said of the next bag or point by a second tap at the same place, just after the
  // first has changed the screen, is not taken. Any other tap is: one that is left out would send a number elsewhere.
  let last_tap = [-99, -99], shown_what = "", shown_at = -Infinity;
  addEventListener("click", (event) => {
    if (!event.isTrusted) { return; }
    const [x, y] = last_tap, bounced = Math.hypot(event.clientX - x, event.clientY - y) < 40 && tick() - shown_at < 350;
    last_tap = [event.clientX, event.clientY];
    taps += 1;
    if (bounced && event.target.closest("[data-keeps]")) { event.stopImmediatePropagation(); event.preventDefault(); }
  }, true);

  // ---- the frame ----------------------------------------------------------------------------------------------------------
  function show_state() {
    const wait = waiting().length, state = find("#state");
    const text = given.desk ? (link === "again" ? words.state_again : !own.person ? words.state_new : wait ? fill(words.state_wait, { wait }) : link === "here" ? words.state_sent : words.state_away) : fill(words.state_kept, { all: entries.size });
    state.textContent = refused().length ? `! ${text}` : text;
    state.dataset.waiting = String(wait);
    state.dataset.link = link;
    find("#undo").disabled = !entries.has(can_undo);
  }
  function show() {
    screen.replaceChildren();
    screen.className = "";
    const here = own.person ? tab : "kept";
    document.querySelectorAll(".tab").forEach((one) => one.classList.toggle("on", one.dataset.tab === here));
    lay_out = null;
    ({ field: show_field, bench: show_bench, clock: show_clock, kept: show_kept })[here]();
    const what = [here, listing, form, here === "bench" && draft ? `${draft.bag} ${draft.mode}` : held_point].join(" ");
    if (what !== shown_what) {
      if (!listing) { screen.scrollTop = 0; }
      [shown_what, shown_at] = [what, tick()];
    }
    show_state();
    look_at_clocks();
  }
  document.querySelectorAll(".tab").forEach((one) => one.addEventListener("click", () => {
    if (one.dataset.tab !== "kept") { own.back = one.dataset.tab; }
    tab = one.dataset.tab;
    listing = form = "";
    fix = moving = null;
    if (draft && !typed_of(draft) && counted(bag_of(draft.bag))) { draft = null; }
    show();
  }));
  find("#undo").addEventListener("click", undo);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { hear_windows(); sync(); show_state(); look_at_clocks(); } });

  (async () => {
    await store.open();
    own = await store.settle("own", { ...own, phone: draw_id(12) });
    tab = own.back || "field";
    entries = new Map((await store.all("entries")).map((one) => [one.entry_id, one]));
    clocks = new Map((await store.all("clocks")).map((one) => [one.clock_id, one]));
    if (navigator.storage && navigator.storage.persist) { navigator.storage.persist().catch(() => false); }
    show();
    sync();
    setInterval(() => { hear_windows(); sync(); }, 5000);
    setInterval(() => { look_at_clocks(); if (tab === "clock") { show_news(); } }, 20000);
    document.body.dataset.ready = "yes";
  })();
})();

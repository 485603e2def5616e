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
    function open() {
      return new Promise((done) => {
        try {
          const asked = indexedDB.open(name, 1);
          asked.onupgradeneeded = () => { for (const [box, key] of Object.entries(boxes)) { asked.result.createObjectStore(box, { keyPath: key }); } };
          asked.onsuccess = () => { base = asked.result; done(); };
          asked.onerror = asked.onblocked = () => { use_plain(); done(); };
        } catch { use_plain(); done(); }
      });
    }
    function use_plain() {
      try { localStorage.setItem(name, "1"); plain = localStorage.getItem(name) ? localStorage : null; } catch { plain = null; }
    }
    // Strict: done is said when the disk has it, so that a battery that goes flat takes nothing.
    function put(box, ...values) {
      if (!base) {
        for (const value of values) { if (plain) { plain.setItem(`${name} ${box} ${value[boxes[box]]}`, JSON.stringify(value)); } }
        return Promise.resolve(Boolean(plain));
      }
      return new Promise((done) => {
        try {
          const work = base.transaction(box, "readwrite", { durability: "strict" });
          work.oncomplete = () => done(true);
          work.onerror = work.onabort = () => done(false);
          for (const value of values) { work.objectStore(box).put(value); }
        } catch { done(false); }
      });
    }
    function all(box) {
      if (!base) {
        const start = `${name} ${box} `;
        return Promise.resolve(plain ? Object.keys(plain).filter((key) => key.startsWith(start)).map((key) => JSON.parse(plain.getItem(key))) : []);
      }
      return new Promise((done) => {
        const asked = base.transaction(box).objectStore(box).getAll();
        asked.onsuccess = () => done(asked.result);
        asked.onerror = () => done([]);
      });
    }
    return { open, put, all, get sure() { return Boolean(base || plain); } };
  })();

  let entries = new Map(), clocks = new Map(), own = { name: "me", phone: "", person: "" };
  let desk = { points: {}, bags: {}, busy: {}, totals: {}, people: [] }, link = given.desk ? "away" : "none", token = "";
  let tab = "field", chosen = "", held_point = "", listing = "", form = "", draft = null, looked = {}, whole_map = false, fix = null, can_undo = "", busy = false;

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
    const kept = await store.put("entries", one);
    entries.set(entry_id, one);
    busy = false;
    can_undo = entry_id;
    say(kept ? told : words.not_kept);
    sync();
    return true;
  }
  const say = (text) => { find("#said").textContent = text; };

  async function undo() {
    const last = entries.get(can_undo);
    if (!last || busy) { return; }
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
    const before = pull_of(point.point_id);
    const plugs = form === "moved" ? find("#plugs").textContent : String(given.plugs);
    const cells = { point_id: point.point_id, plugs, moved: "no", collector: own.person, collected_at: stamp(now()), replaces: before ? before.entry_id : "", ...more };
    if (could_not(cells)) { Object.assign(cells, { plugs: "", moved: "", method: given.methods.length === 1 ? given.methods[0] : "" }); }
    return keep(cells, fill(told, { what: point.point_id })).then((kept) => { if (kept) { chosen = held_point = form = listing = ""; fix = null; show(); } });
  }

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
      button(words.pulled_filled, () => pulled(point, { hole_filled: "yes" }, words.kept_filled), "go"),
      button(words.pulled_open, () => pulled(point, { hole_filled: "no" }, words.kept_open)),
      button(words.moved, () => { form = "moved"; fix = null; show(); }),
      button(words.could_not, () => { form = "could_not"; show(); })));
  }

  function tell_pull(told) {
    if (could_not(told)) { return `${words.could_not} ${told.could_not || told.by || ""}`.trim(); }
    const parts = [told.moved === "yes" ? words.list_moved : words.list_pulled, told.hole_filled === "no" ? words.list_open : "", told.by || ""];
    return parts.filter(Boolean).join(", ");
  }

  function show_round() {
    const due = due_points().map((one) => one.point_id);
    const list = make("div", { class: "list" });
    let hole = null;
    for (const point of [...given.points].sort((a, b) => (a.role === b.role ? a.order - b.order : a.role === "main" ? -1 : 1))) {
      const head = point.role === "reserve" ? words.reserve_head : point.head;
      if (head !== hole) { list.append(make("h2", {}, head)); hole = head; }
      const told = told_of(point.point_id);
      const sign = told ? (could_not(told) ? "✗" : told.hole_filled === "no" ? "○" : "✓") : due.includes(point.point_id) ? "" : "·";
      list.append(button("", () => { chosen = point.point_id; listing = ""; show(); }, "", { point: point.point_id }));
      list.lastChild.append(make("span", {}, sign), make("span", {}, point.point_id), make("span", { class: "far" }, told ? tell_pull(told) : point.kind));
    }
    screen.append(make("div", { class: "top" }, make("p", {}, words.round_signs), button(words.back, () => { listing = chosen = held_point = ""; show(); })), list);
    const first = list.querySelector(`[data-point="${CSS.escape(due[0] || "")}"]`);
    if (first) { first.scrollIntoView({ block: "center" }); }
  }

  function show_moved(point) {
    const plugs = make("b", { id: "plugs" }, String(given.plugs));
    const step = (by) => () => { plugs.textContent = String(Math.max(1, Math.min(99, Number(plugs.textContent) + by))); };
    const where = make("input", { id: "where", maxlength: 120, placeholder: words.where_example, autocomplete: "off" });
    const place = make("p", { class: "quiet" }, tell_fix(point));
    const done = (hole_filled) => {
      const at = fix ? { lat: String(fix.lat), lon: String(fix.lon), accuracy_m: fix.accuracy_m.toFixed(1) } : {};
      const text = where.value.trim();
      if (!text && !fix && plugs.textContent === String(given.plugs)) { say(words.where_needed); where.focus(); return; }
      pulled(point, { hole_filled, moved: text || fix ? "yes" : "no", moved_to: text, ...at }, hole_filled === "yes" ? words.kept_filled : words.kept_open);
    };
    screen.append(make("div", { class: "top" }, make("h1", {}, point.point_id), button(words.back, () => { form = ""; show(); })),
      make("div", { class: "row" }, button("−", step(-1)), make("p", {}, `${words.plugs}: `, plugs), button("+", step(1))),
      make("label", {}, words.where, where), place);
    if (given.position !== "no" && isSecureContext && navigator.geolocation) { screen.append(button(words.ask_position, () => ask_position(point, place))); }
    screen.append(make("div", { class: "two" }, button(words.pulled_filled, () => done("yes"), "go"), button(words.pulled_open, () => done("no"))));
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
    screen.append(make("div", { class: "top" }, make("h1", {}, `${point.point_id}: ${words.could_not}`), button(words.back, () => { form = ""; show(); })),
      make("div", { class: "two" }, ...given.reasons.map(([status, why]) => button(why, () => because(status, why), "", { why: status }))),
      make("label", {}, words.other_reason, other),
      button(words.keep_reason, () => { if (other.value.trim()) { because("unreachable", other.value.trim()); } else { other.focus(); } }, "go"));
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
  function draw_map(point) {
    const map = given.maps[point.map];
    const box = make("button", { type: "button", class: "map", "aria-label": words.map_label, tap: () => { whole_map = !whole_map; show(); } });
    const picture = new DOMParser().parseFromString(map.svg, "image/svg+xml").documentElement;
    const near = Math.min(map.width_mm, 80), high = Math.min(map.height_mm, 70);
    let window_mm = [0, 0, map.width_mm, map.height_mm];
    if (!whole_map && map.long) {
      window_mm = [Math.max(0, Math.min(point.x - near / 2, map.width_mm - near)), Math.max(0, Math.min(point.y - high / 2, map.height_mm - high)), near, high];
    }
    picture.setAttribute("viewBox", window_mm.join(" "));
    draw_scale(picture, map, window_mm);
    const ring = (x, y, radius, colour, wide, see) => draw(picture, "circle", { cx: x, cy: y, r: radius, stroke: colour, "stroke-width": wide, fill: see ? colour : "none", "fill-opacity": see || 0 });
    const size = window_mm[3] / 70;
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
    return { bag: bag.sample_id, found, total: cells && cells.total ? cells.total : "", at: given.stages[0].key, mode: cells && cells.total ? "total" : "stages", fresh: true };
  };
  const counted = (bag) => count_of(bag.sample_id) || desk.bags[bag.sample_id];
  const pullable = (bag) => { const told = told_of(bag.point_id); return !(told && could_not(told)) && (bag.role === "main" || told || counted(bag)); };
  function first_counter(bag) {
    const first = bag.recount ? bag.recount : bag.sample_id;
    const mine = count_of(first);
    return mine ? mine.cells.counted_by : (desk.bags[first] || {}).by || "";
  }
  // In bench order after the bag counted last here, so that who took up another container goes on in it.
  function next_bag() {
    const last = standing().filter((one) => given.bags.includes(bag_of(one.cells.sample_id))).pop();
    const from = last ? given.bags.indexOf(bag_of(last.cells.sample_id)) + 1 : 0;
    const open = [...given.bags.slice(from), ...given.bags.slice(0, from)].filter((bag) => !counted(bag) && pullable(bag) && !stopped(bag));
    return open.find((bag) => !desk.busy[bag.sample_id]) || open[0];
  }
  // The bag on the screen stays there whatever others do, unless they counted it and nothing was typed here.
  function held_bag() {
    const bag = draft && bag_of(draft.bag);
    return bag && (draft.total || draft.at !== given.stages[0].key || given.stages.some((stage) => draft.found[stage.key]) || !counted(bag)) ? bag : null;
  }
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
    const bag = bag_of(chosen) || held_bag() || next_bag();
    if (!bag) { return screen.append(make("h1", {}, words.bench_done), button(words.bags, () => { listing = "bags"; show(); })); }
    if (bag.recount && first_counter(bag) === own.person) {
      return screen.append(make("h1", {}, bag.sample_id), make("p", {}, fill(words.another_person, { person: own.person })),
        button(words.change_person, () => { tab = "kept"; show(); find("#person").focus(); }, "go"), button(words.bags, () => { listing = "bags"; show(); }));
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
      make("div", {}, make("h1", {}, bag.sample_id), make("p", { class: "quiet" }, bag.recount ? words.second : fill(words.bag_line, { batch: bag.batch, place, of: given.bags.length }))),
      make("div", { class: "row" }, given.desk ? photo_button() : null, button(words.bags, () => { listing = "bags"; show(); }))));
    const stop = bag.recount ? null : stop_of(bag);
    const cells = make("div", { class: "stages" });
    if (draft.mode === "total") {
      cells.append(button("", () => {}, "on", { stage: "total" }));
      cells.lastChild.append(make("span", {}, words.total_only), make("b", {}, draft.total || "–"));
    } else {
      for (const stage of cells_of(bag)) {
        const one = button("", () => { draft.at = stage.key; draft.fresh = true; show(); }, draft.at === stage.key ? "on" : "", { stage: stage.key });
        one.setAttribute("aria-label", `${stage.name} ${draft.found[stage.key] || words.blank}`);
        one.append(make("span", {}, given.stages.includes(stage) ? stage.key : stage.name), make("b", {}, draft.found[stage.key] || "–"));
        cells.append(one);
      }
    }
    const keys = make("div", { class: "keys" });
    for (const key of ["1", "2", "3", "4", "5", "⌫", "6", "7", "8", "9", "0", "+1"]) { keys.append(button(key, () => press(key), "", { key })); }
    // What others' counts change stands between the stages and the keys: neither moves under a finger.
    screen.append(cells);
    if (before && !bag.recount) {
      screen.append(make("p", { class: "entry" }, fill(words.counted_before, { by: before.cells ? before.cells.counted_by : before.by })));
    }
    if (stop && stop.plugs) { screen.append(make("p", { class: "stop", id: "stop" }, fill(words[`stop_${stop.verdict || "between"}`], stop))); }
    screen.append(keys, make("div", { class: "row" },
      button(words.none_found, () => save_count(bag, { none_found: "yes" })),
      button(draft.mode === "total" ? words.by_stage : words.total, () => { draft.mode = draft.mode === "total" ? "stages" : "total"; draft.fresh = true; show(); }),
      button(words.more, () => { form = "more"; show(); }),
      button(words.next, () => next(bag), "go", { next: "yes" })));
  }

  function press(key) {
    const was = draft.mode === "total" ? draft.total : draft.found[draft.at];
    let value = was;
    if (key === "⌫") { value = was.slice(0, -1); } else if (key === "+1") { value = String(Math.min(Number(was || 0) + 1, 99999)); }
    else { value = (draft.fresh ? "" : was) + key; }
    value = value.replace(/^0+(?=\d)/, "").slice(0, 5);
    draft.fresh = false;
    if (draft.mode === "total") { draft.total = value; } else { draft.found[draft.at] = value; }
    show();
  }

  function next(bag) {
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
      button(words.blank_zero, answer(true), "go", { blank: "zero" }), button(words.blank_missing, answer(false), "", { blank: "missing" }), make("p", {}, words.blank_once),
      button(words.back, () => { form = ""; show(); }));
  }

  function show_more(bag) {
    const note = make("input", { id: "note", maxlength: 200, autocomplete: "off" }), others = make("input", { id: "others", maxlength: 120, autocomplete: "off" });
    note.value = draft.note || "";
    others.value = draft.others || "";
    for (const one of [note, others]) { one.addEventListener("input", () => { draft.note = note.value.trim(); draft.others = others.value.trim(); }); }
    screen.append(make("div", { class: "top" }, make("h1", {}, bag.sample_id), button(words.back, () => { form = ""; show(); }, "go")),
      make("h2", {}, words.no_count),
      make("div", { class: "two" }, ...given.fates.map(([status, text]) => button(text, () => save_count(bag, { status }), "", { fate: status }))),
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
    if (bag.recount) { const rest = given.recounts.find((one) => !counted(one)); if (rest) { chosen = rest.sample_id; } }
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
        const sign = counted(bag) ? "✓ " : desk.busy[bag.sample_id] ? "… " : "";
        (bag.recount ? again : list).append(button(sign + bag.sample_id, () => open(bag), "", { bag: bag.sample_id }));
      }
    };
    typed.addEventListener("input", lay);
    typed.addEventListener("keydown", (event) => { if (event.key === "Enter" && fits().length) { open(fits()[0]); } });
    lay();
    screen.append(make("div", { class: "top" }, typed, make("div", { class: "row" }, given.desk ? photo_button() : null, button(words.back, () => { listing = ""; show(); }))),
      make("p", { class: "quiet" }, words.bag_signs), list, given.recounts.length ? make("h2", {}, words.second) : null, again);
  }

  function photo_button() {
    const pick = make("input", { type: "file", accept: "image/jpeg,image/png", capture: "environment", hidden: true, id: "photo" });
    pick.addEventListener("change", () => { if (pick.files[0]) { read_label(pick.files[0]); } });
    return make("span", {}, button(words.photo, () => pick.click()), pick);
  }

  async function read_label(file) {
    say(words.reading);
    let sent = file;
    try {  // a phone's photo is ten times as large as its code needs
      const picture = await createImageBitmap(file), share = Math.min(1, 1600 / Math.max(picture.width, picture.height));
      const small = make("canvas", { width: Math.round(picture.width * share), height: Math.round(picture.height * share) });
      small.getContext("2d").drawImage(picture, 0, 0, small.width, small.height);
      sent = await new Promise((done) => small.toBlob(done, "image/jpeg", 0.85)) || file;
    } catch { /* sent as it is */ }
    try {
      const told = await (await fetch("label", { method: "POST", body: sent, headers: { "X-Desk-Token": token, "Content-Type": "image/jpeg" } })).json();
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
    for (const clock of mine_and_theirs()) {
      const box = make("div", { class: "clock", data: { clock: clock.clock_id } }, make("p", {}, make("b", {}, clock.what), ` ${clock.who}`));
      for (const one of due_of(clock)) {
        const left = one.time - now();
        box.append(make("p", {}, `${one.text}: ${left > 0 ? fill(words.due_in, { span: span(left) }) : fill(words.due_since, { span: span(left) })} (${show_time(one.time)})`));
        if (left <= 0) { box.classList.add("past"); }
      }
      if (clocks.has(clock.clock_id)) { box.append(button(words.clock_done, () => put_clock({ ...clock, ended: now() }), "go")); }
      screen.append(box);
    }
    const what = make("input", { id: "what", maxlength: 40, autocomplete: "off" });
    what.value = fill(words.batch_name, { batch: (next_bag() || { batch: 1 }).batch });
    screen.append(make("label", {}, words.clock_what, what));
    for (const [name, marks, grade] of given.clocks) {
      screen.append(button(`${name}: ${span(marks[marks.length - 1][0] * 60000)} (${grade})`, () => put_clock({ clock_id: `${own.phone}-${draw_id(6)}`, what: `${what.value.trim()}: ${name}`, who: own.person, started: now(), marks, ended: 0 })));
    }
    const minutes = make("input", { id: "minutes", inputmode: "numeric", maxlength: 4, "aria-label": words.own_minutes, placeholder: words.own_minutes });
    screen.append(make("div", { class: "top" }, minutes, button(words.start, () => {
      const many = Number(minutes.value);
      if (many > 0) { put_clock({ clock_id: `${own.phone}-${draw_id(6)}`, what: what.value.trim(), who: own.person, started: now(), marks: [[many, words.due]], ended: 0 }); }
    })), make("p", {}, words.clock_sleeps), ...given.cautions.map((text) => make("p", { class: "entry" }, text)), make("h2", {}, words.steps), ...given.steps.map((text) => make("p", {}, text)));
  }
  async function put_clock(clock) {
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
    const rename = async () => { own.person = person.value.trim(); await store.put("own", own); say(own.person ? fill(words.hello, { person: own.person }) : words.name_needed); if (own.person) { tab = own.back || "field"; show(); sync(); } };
    person.addEventListener("keydown", (event) => { if (event.key === "Enter") { rename(); } });
    screen.append(make("label", {}, words.who, make("div", { class: "top" }, person, button(words.ok, rename, "go", { ok: "yes" }))));
    if (!own.person) { screen.append(make("p", {}, given.title), make("p", {}, words.begin)); return; }
    if (!store.sure) { screen.append(make("p", { class: "wrong" }, words.keeps_nothing)); }
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
  async function share_file() { try { await navigator.share({ files: [make_file()] }); say(words.shared); } catch { say(words.not_shared); } }
  function save_file() {
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
  // A button drawn anew beneath a finger loses the tap: what others did is shown once the finger is off it.
  let touched = 0;
  addEventListener("pointerdown", () => { touched = Infinity; }, true);
  for (const kind of ["pointerup", "pointercancel"]) { addEventListener(kind, () => { touched = now(); }, true); }
  function show_news() {
    if (now() - touched < 400) { setTimeout(show_news, 400); } else if (!typing()) { show(); }
  }

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
    ({ field: show_field, bench: show_bench, clock: show_clock, kept: show_kept })[here]();
    show_state();
    look_at_clocks();
  }
  document.querySelectorAll(".tab").forEach((one) => one.addEventListener("click", () => {
    if (one.dataset.tab !== "kept") { own.back = one.dataset.tab; }
    tab = one.dataset.tab;
    listing = form = "";
    show();
  }));
  find("#undo").addEventListener("click", undo);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { sync(); show_state(); look_at_clocks(); } });

  (async () => {
    await store.open();
    const kept = await store.all("own");
    if (kept.length) { own = kept[0]; } else { own.phone = draw_id(12); await store.put("own", own); }
    tab = own.back || "field";
    entries = new Map((await store.all("entries")).map((one) => [one.entry_id, one]));
    clocks = new Map((await store.all("clocks")).map((one) => [one.clock_id, one]));
    if (navigator.storage && navigator.storage.persist) { navigator.storage.persist(); }
    show();
    sync();
    setInterval(sync, 5000);
    setInterval(() => { look_at_clocks(); if (tab === "clock") { show_news(); } }, 20000);
    document.body.dataset.ready = "yes";
  })();
})();

"use strict";
// Counts typed in bench order by keyboard alone: each value goes to the disk as its cell is left, and says so.
window.bench = (() => {
  const { ask, find, make, words, say } = desk;
  const box = find("#bench");
  let sheet = null;

  async function open() {
    sheet = await ask("/bench");
    if (!sheet) { return; }
    const bar = make("div", "", "bar");
    const shut = make("button", words.back);
    shut.type = "button";
    shut.addEventListener("click", close);
    bar.append(shut, make("b", sheet.file), make("span", words.bench_keys));
    const table = document.createElement("table");
    const head = document.createElement("thead");
    const names = document.createElement("tr");
    names.append(...[words.bag, words.total, words.no_count, words.none_found, ...sheet.heads, words.others_found].map((head) => make("th", head)));
    head.append(names);
    const body = document.createElement("tbody");
    body.append(...sheet.rows.map(make_row));
    table.append(head, body);
    const scroll = make("div", "", "sheet");
    scroll.append(table);
    box.replaceChildren(bar, scroll);
    box.hidden = false;
    desk.show_place(true);
    add_up(sheet.partly);
    const empty = sheet.rows.findIndex((row) => !row.status && !row.none_found && sheet.stages.every((stage) => !row[stage]));
    focus(Math.max(empty, 0), 0);
  }

  function make_row(row, place) {
    const line = document.createElement("tr");
    const name = make("th", row.role === "reserve" ? words.reserve_bag.replace("{bag}", row.sample_id) : row.sample_id);
    name.scope = "row";
    line.className = row.role;
    const fate = document.createElement("select");
    fate.append(...Object.entries(sheet.fates).map(([code, text]) => new Option(text, code)));
    const none = document.createElement("input");
    none.type = "checkbox";
    fate.addEventListener("change", () => choose(line, row, "status", fate.value));
    none.addEventListener("change", () => choose(line, row, "none_found", none.checked ? "yes" : ""));
    const fields = [...sheet.stages, "others_found"].map((column, at) => {
      const field = document.createElement("input");
      field.className = at < sheet.stages.length ? "count" : "others";
      field.value = row[column];
      field.autocomplete = "off";
      if (at < sheet.stages.length) { field.inputMode = "numeric"; }
      field.addEventListener("keydown", (event) => key(event, field, place, at));
      field.addEventListener("change", () => keep(field, row, column));
      field.addEventListener("focus", () => { box.querySelectorAll("tr.at").forEach((one) => one.classList.remove("at")); line.classList.add("at"); field.select(); });
      return field;
    });
    const heads = [words.no_count, words.none_found, ...sheet.heads, words.others_found];
    line.append(name, ...[fate, none, ...fields].map((field, at) => {
      const cell = document.createElement("td");
      field.setAttribute("aria-label", `${row.sample_id} ${heads[at]}`);
      cell.append(field);
      return cell;
    }));
    name.after(make("td", "", "total"));
    line.addEventListener("focusout", (event) => { if (!line.contains(event.relatedTarget)) { warn(row); } });
    show(line, row);
    return line;
  }

  function show(line, row) {
    line.querySelector("select").value = row.status;
    line.querySelector("[type=checkbox]").checked = row.none_found === "yes";
  }

  // A bag with a stage left blank beside counts has no total, by the rule of the command: said at its row, and as it is left.
  const blank = (row) => sheet.stages.filter((stage) => stage !== sheet.unstaged && row[stage] === "");
  function add_up(partly) {
    if (partly) { sheet.partly = partly; }
    box.querySelectorAll("tbody tr").forEach((line, place) => {
      const row = sheet.rows[place];
      const typed = sheet.stages.filter((stage) => row[stage] !== "");
      const sum = String(typed.reduce((all, stage) => all + Number(row[stage]), 0));
      const total = row.status || !(typed.length || row.none_found) ? "" : (sheet.partly || []).includes(row.sample_id) ? words.no_total : sum;
      line.querySelector(".total").textContent = total;
      line.classList.toggle("partly", total === words.no_total);
    });
  }
  function warn(row) {
    last.then(() => {
      if (!box.hidden && (sheet.partly || []).includes(row.sample_id)) {
        const heads = blank(row).map((stage) => sheet.heads[sheet.stages.indexOf(stage)]);
        say(words.partly.replace("{bag}", row.sample_id).replace("{stages}", heads.join(", ")));
      }
    });
  }

  const line_at = (place) => box.querySelectorAll("tbody tr")[place];
  function focus(place, at) {
    const line = line_at(place);
    const field = line && line.querySelectorAll(".count, .others")[at];
    if (field) { field.focus(); field.scrollIntoView({ block: "nearest", inline: "nearest" }); }
  }

  let last = Promise.resolve();  // values go to the disk in the order they were typed
  function put(row, column, value) {
    const was = row[column];
    row[column] = value;
    last = last.then(() => put_now(row, column, value, was));
    return last;
  }

  async function put_now(row, column, value, was) {
    const told = await ask("/bench", { file: sheet.file, sample_id: row.sample_id, column, value, was });
    if (row[column] === value && !(told && told.kept)) { row[column] = told && told.value !== undefined ? told.value : was; }
    if (!told) { return false; }
    say(told.words);
    if (told.kept) {
      add_up(told.partly);
      line_at(sheet.rows.indexOf(row)).classList.remove("wrong");
      if (!box.querySelector("tr.wrong")) { desk.mend("counts"); }
      desk.tick("counts", sheet.file);
    }
    return told.kept;
  }

  async function choose(line, row, column, value) {
    await put(row, column, value);
    show(line, row);
  }

  // What a cell can't hold is told at once, and the cell keeps what was there.
  function refuse(field, text, stands) {
    field.value = stands;
    field.classList.add("wrong");
    say(text);
    return false;
  }

  async function keep(field, row, column) {
    const value = field.value.trim();
    if (field.className.startsWith("count") && !/^\d{0,5}$/.test(value)) { return refuse(field, words.bad_value.replace("{value}", value), row[column]); }
    if (field.className.startsWith("count") && value > 0 && row.none_found) { return refuse(field, words.none_and_count, row[column]); }
    field.classList.remove("wrong");
    if (value === row[column]) { return true; }
    return await put(row, column, value) || refuse(field, find("#spoken").textContent, row[column]);
  }

  let moved_to = -1;  // the bag that a key of one bag alone went on to: an Enter out of habit stays there
  function go_on(place, at) {
    moved_to = place + 1;
    focus(place + 1, at);
  }

  async function fill_rest(line, row) {
    const told = blank(row).map((stage) => {
      line.querySelectorAll(".count")[sheet.stages.indexOf(stage)].value = "0";
      return put(row, stage, "0");
    });
    return (await Promise.all(told)).every(Boolean);
  }

  const moves = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1], Enter: [1, 0] };
  async function key(event, field, place, at) {
    const row = sheet.rows[place];
    const letter = field.classList.contains("count") ? event.key.toLowerCase() : "";  // words are typed as they are
    const line = line_at(place);
    if (event.ctrlKey || event.metaKey || event.altKey) { return; }
    const habit = event.key === "Enter" && moved_to === place && field.value === "";
    if (event.key.length > 1) { moved_to = -1; }
    if (habit) { event.preventDefault(); last.then(() => say(words.next_bag.replace("{bag}", row.sample_id))); return; }
    if (event.key in moves && (field.classList.contains("count") || !moves[event.key][1])) {
      event.preventDefault();
      const [down, right] = moves[event.key];
      const kept = keep(field, row, [...sheet.stages, "others_found"][at]);
      if (field.classList.contains("wrong")) { field.select(); return; }
      focus(place + down, at + right);  // the next cell takes the keys at once: none may go astray
      if (!await kept) { field.focus(); }
    } else if (letter === "n") {
      event.preventDefault();
      const counted = [...line.querySelectorAll(".count")].some((one) => one.value > 0);
      if (counted && !row.none_found) { say(words.none_and_count); return; }
      keep(field, row, sheet.stages[at]);
      if (field.classList.contains("wrong")) { field.select(); return; }
      const told = put(row, "none_found", row.none_found ? "" : "yes");
      show(line, row);
      if (row.none_found) { go_on(place, at); }  // at once, as above
      if (!await told) { show(line, row); field.focus(); }
    } else if (letter === "r") {
      event.preventDefault();
      if (row.none_found || row.status) { return; }
      keep(field, row, sheet.stages[at]);
      if (field.classList.contains("wrong")) { field.select(); return; }
      const told = fill_rest(line, row);
      go_on(place, at);
      if (!await told) { field.focus(); }
    } else if (letter === "s") {
      event.preventDefault();
      const fates = Object.keys(sheet.fates);
      await choose(line, row, "status", fates[(fates.indexOf(row.status) + 1) % fates.length]);
    } else if (event.key === "Escape") {
      close();
    }
  }

  function close() {
    box.hidden = true;
    desk.show_place(false);
    desk.look().then(() => find("#card-counts .go").focus());
  }

  // What the stage found wrong stands at its row, to be mended there.
  function mark(problems) {
    if (!sheet) { return; }
    const rows = problems.flatMap((line) => (line.includes(sheet.file) ? [...line.matchAll(/row (\d+)/g)].map((found) => Number(found[1]) - 2) : []));
    box.querySelectorAll("tbody tr").forEach((line, place) => line.classList.toggle("wrong", rows.includes(place)));
  }

  find("#open-bench").addEventListener("click", open);
  return { mark, settled: () => last };
})();

"use strict";
// Counts typed in bench order by keyboard alone: each value goes to the disk as its cell is left, and says so.
window.bench = (() => {
  const { ask, find, make, words, say } = desk;
  const box = find("#bench");
  const fates = ["", "not_extracted", "lost", "unreachable", "off_turf"];
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
    names.append(make("th", words.bag), make("th", words.no_count), make("th", words.none_found), ...sheet.stages.map((stage) => make("th", stage)));
    head.append(names);
    const body = document.createElement("tbody");
    body.append(...sheet.rows.map(make_row));
    table.append(head, body);
    const scroll = make("div", "", "sheet");
    scroll.append(table);
    box.replaceChildren(bar, scroll);
    box.hidden = false;
    desk.show_place(true);
    const empty = sheet.rows.findIndex((row) => !row.status && !row.none_found && sheet.stages.every((stage) => !row[stage]));
    focus(Math.max(empty, 0), 0);
  }

  function make_row(row, place) {
    const line = make("tr", "", row.role === "reserve" ? "reserve" : "");
    const name = make("th", row.sample_id);
    name.scope = "row";
    line.append(name, make("td", row.status, "fate"), make("td", row.none_found ? words.none_found : "", "none"));
    sheet.stages.forEach((stage, at) => {
      const cell = document.createElement("td");
      const field = document.createElement("input");
      field.value = row[stage];
      field.inputMode = "numeric";
      field.autocomplete = "off";
      field.setAttribute("aria-label", `${row.sample_id} ${stage}`);
      field.addEventListener("keydown", (event) => key(event, field, place, at));
      field.addEventListener("change", () => keep(field, row, stage));
      field.addEventListener("focus", () => { box.querySelectorAll("tr.at").forEach((one) => one.classList.remove("at")); line.classList.add("at"); field.select(); });
      cell.append(field);
      line.append(cell);
    });
    return line;
  }

  const line_at = (place) => box.querySelectorAll("tbody tr")[place];
  function focus(place, at) {
    const line = line_at(place);
    const field = line && line.querySelectorAll("input")[at];
    if (field) { field.focus(); field.scrollIntoView({ block: "nearest", inline: "nearest" }); }
  }

  async function put(row, column, value) {
    const told = await ask("/bench", { file: sheet.file, sample_id: row.sample_id, column, value, was: row[column] });
    if (!told) { return false; }
    if (told.value !== undefined) { row[column] = told.value; }
    say(told.kept ? `${row.sample_id} ${column} ${value || "-"}: ${told.words}` : told.words);
    if (told.kept) { row[column] = value; }
    return told.kept;
  }

  async function keep(field, row, stage) {
    const value = field.value.trim();
    if (value === row[stage] || value === field.dataset.sent) { return true; }
    field.dataset.sent = value;
    const kept = await put(row, stage, value);
    delete field.dataset.sent;
    field.classList.toggle("wrong", !kept);
    return kept;
  }

  const moves = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1], Enter: [1, 0] };
  async function key(event, field, place, at) {
    const row = sheet.rows[place];
    const letter = event.key.toLowerCase();
    if (event.ctrlKey || event.metaKey || event.altKey) { return; }
    if (event.key in moves) {
      event.preventDefault();
      const [down, right] = moves[event.key];
      const kept = keep(field, row, sheet.stages[at]);  // the next cell takes the keys at once: none may go astray
      focus(place + down, event.key === "Enter" ? 0 : at + right);
      if (!await kept) { field.focus(); }
    } else if (letter === "n") {
      event.preventDefault();
      const put_it = put(row, "none_found", row.none_found ? "" : "yes");
      if (!row.none_found) { focus(place + 1, 0); }  // at once, as above
      if (await put_it) { line_at(place).querySelector(".none").textContent = row.none_found ? words.none_found : ""; } else { field.focus(); }
    } else if (letter === "s") {
      event.preventDefault();
      const fate = fates[(fates.indexOf(row.status) + 1) % fates.length];
      if (await put(row, "status", fate)) { line_at(place).querySelector(".fate").textContent = fate; }
    } else if (event.key === "Escape") {
      close();
    } else if (event.key.length === 1 && !/\d/.test(event.key)) {
      event.preventDefault();
    }
  }

  function close() {
    box.hidden = true;
    desk.show_place(false);
    desk.look().then(() => {
      for (const tick of document.querySelectorAll("#card-counts .dropped input")) { if (tick.value === sheet.file) { tick.checked = true; } }
      find("#card-counts").dispatchEvent(new Event("change"));
      find("#card-counts .go").focus();
    });
  }

  // What the stage found wrong stands at its row, to be mended there.
  function mark(problems) {
    if (!sheet) { return; }
    const rows = problems.flatMap((line) => (line.includes(sheet.file) ? [...line.matchAll(/row (\d+)/g)].map((found) => Number(found[1]) - 2) : []));
    box.querySelectorAll("tbody tr").forEach((line, place) => line.classList.toggle("wrong", rows.includes(place)));
  }

  find("#open-bench").addEventListener("click", open);
  return { mark };
})();

"use strict";
// The desk's page: it shows what the server tells of the work, sends what is pressed, and draws drafts on the map's page.
const desk = (() => {
  const find = (selector, within) => (within || document).querySelector(selector);
  const all = (selector, within) => Array.from((within || document).querySelectorAll(selector));
  const meta = (name) => find(`meta[name=${name}]`).content;
  const token = meta("desk-token");
  const given = JSON.parse(meta("desk-given"));
  const words = given.words;
  const frame = find("#map");
  const beside = find("#beside");
  // A slider beside a question; the unit is written with the number, as the command wants it.
  const sliders = {
    plan: { points: { min: 10, max: 240, step: 5, start: 90 } },
    treat: { threshold: { us: { min: 2, max: 150, step: 1, start: 30, unit: "/ft2" }, metric: { min: 20, max: 1600, step: 10, start: 320, unit: "/m2" } }, "miss-cost": { min: 0.5, max: 12, step: 0.5, start: 3 } },
  };
  let state = null;
  let drawn = "";
  let view = null;
  let drafts = null;
  let pick = null;
  let loading = false;  // the map's page goes, and what is clicked on it goes with it

  const say = (text) => { find("#spoken").textContent = text || ""; };
  const make = (tag, text, looks) => { const node = document.createElement(tag); node.textContent = text || ""; node.className = looks || ""; return node; };
  const card_of = (step) => find(`#card-${step}`);
  const seen = () => state && { survey: state.survey, visit: state.visit, drawn: state.drawn };
  const open_step = () => { const head = find(".head[aria-expanded=true]"); return head && head.closest(".card").dataset.step; };

  async function ask(path, body) {
    try {
      const answer = await fetch(path, body === undefined ? {} : {
        method: "POST", headers: { "X-Desk-Token": token, ...(body instanceof FormData ? {} : { "Content-Type": "application/json" }) },
        body: body instanceof FormData ? body : JSON.stringify(body),
      });
      if (answer.status === 409) { say(in_fields((await answer.json()).words)); return null; }
      if (!answer.ok) { say({ 413: words.too_large, 403: words.shut }[answer.status] || words.lost); return null; }
      if ([words.lost, words.shut].includes(find("#spoken").textContent)) { say(""); }
      return await answer.json();
    } catch {
      say(words.lost);
      return null;
    }
  }

  // Where every row has as many cells as the head, it is a table with headings.
  function lay_table(text) {
    const rows = text.textContent.trimEnd().split("\n").map((line) => line.trimEnd().split(/ {2,}/));
    if (rows.length < 2 || rows.some((row) => row.length !== rows[0].length)) { return; }
    const table = document.createElement("table");
    for (const [at, row] of rows.entries()) {
      const line = table.insertRow();
      for (const [place, words_in] of row.entries()) {
        const cell = make(at && place ? "td" : "th", words_in);
        if (cell.tagName === "TH") { cell.scope = at ? "row" : "col"; }
        line.append(cell);
      }
    }
    text.replaceChildren(table);
  }

  // What the stages say: a row of a table stays in line, all else is a sentence.
  function tell(box, lines) {
    box.replaceChildren();
    let table = null;
    for (const line of lines.map((one) => in_fields(one).replace(/(?<=\d) (?=%)|(?<=±) (?=\d)/g, "\u00a0"))) {
      if (line.trim().includes("  ")) {  // the head of a table begins with spaces
        if (!table) { table = make("div", "", "table"); table.tabIndex = 0; box.append(table); }
        table.textContent += `${line}\n`;
      } else if (line.startsWith("  ") && box.lastChild && !table) {
        box.lastChild.textContent += ` ${line.trim()}`;
      } else {
        table = null;
        if (line) { box.append(make("p", line)); }
      }
    }
    for (const text of all(".table", box)) { lay_table(text); }
  }

  // What was typed outlives the window's reload; else the fields say what the step was done with.
  const typed_key = (step) => `typed ${state.survey} ${state.visit} ${step}`;
  const fallback = (field) => (state && field.dataset[state.units]) || field.dataset.fallback;
  const kept = {};  // the answers that a step's result was made with, or that stand for it
  function put_answers(step, given, began) {
    for (const field of all("[data-option]", card_of(step))) {
      const value = given[field.dataset.option];
      if (field.type === "checkbox") { field.checked = value === "on"; } else { field.value = value === undefined ? fallback(field) : value; }
      if (step === "plan" && field.dataset.option === "visit" && state.visit && !(began && value)) { field.value = state.visit; }
      field.dispatchEvent(new Event("input"));  // for its slider alone
    }
    for (const box of all(".dropped input", card_of(step))) { box.checked = (given.files || []).includes(box.value); }
  }
  function fill_answers(began) {
    for (const [step, now] of Object.entries(state.steps)) {
      put_answers(step, now.answers, began);
      kept[step] = answers(step);
      const typed = sessionStorage.getItem(typed_key(step));
      if (typed) { put_answers(step, JSON.parse(typed), began); }
    }
  }
  const alike = (one, two) => JSON.stringify(Object.entries(one).sort()) === JSON.stringify(Object.entries(two).sort());
  const is_kept = (step) => state.steps[step].state === "done" && alike(answers(step), kept[step]);

  function answers(step) {
    const card = card_of(step);
    const found = {};
    for (const field of all("[data-option]", card)) {
      const value = field.type === "checkbox" ? (field.checked ? "on" : "") : field.value.trim();
      if (value && ![field.dataset.us, field.dataset.metric].includes(value)) { found[field.dataset.option] = value; }
    }
    const files = all(".dropped input:checked", card).map((box) => box.value);
    if (files.length) { found.files = files; }
    return found;
  }

  // The commands' words name options as they are typed; here they are fields.
  const fields = new Map([...given.cards.flatMap((one) => one.questions), ...given.under].map((question) => [question.name, question.label]));
  fields.set("force", words.force);
  fields.set("more", words.all);
  const in_fields = (text) => text.replace(/'--([a-z-]+)'|--([a-z][a-z-]*)/g, (typed, quoted, plain) => (fields.has(quoted || plain) ? `'${fields.get(quoted || plain)}'` : typed));

  function make_field(question, step) {
    const row = make("div", "", "question");
    const id = `${step}-${question.name}`;
    const label = make("label", question.label);
    label.htmlFor = id;
    let field = document.createElement(question.kind === "choice" || question.kind === "file" ? "select" : "input");
    if (question.kind === "choice") {
      if (!question.default) { field.append(new Option("", "")); }
      for (const choice of question.choices) { field.append(new Option(choice, choice)); }
    } else if (question.kind === "file") {
      field.append(new Option("", ""));
      field.dataset.file = "yes";
    } else if (question.kind === "flag") {
      field.type = "checkbox";
    } else {
      field.type = question.name === "date" ? "date" : "text";  // a day is chosen as this machine writes it
      if (question.kind === "number") { field.inputMode = "decimal"; }
    }
    field.id = id;
    field.dataset.option = question.name;
    if (question.kind !== "flag" && question.kind !== "file") { field.value = question.default; }
    if (question.name === "visit" || question.name === "date") { field.placeholder = today(); }
    if (step === "plan" && question.name === "visit") { field.value = today(); }
    Object.assign(field.dataset, question.shown);  // the command's own default in the other units
    field.dataset.fallback = question.kind === "file" ? "" : field.value;
    const help = make("span", in_fields(field.type === "date" ? question.help.replace(/, YYYY-MM-DD/, "") : question.help), "help");
    help.id = `${id}-help`;
    field.setAttribute("aria-describedby", help.id);
    row.append(label, field);
    add_slider(row, field, step, question.name);
    if (step === "plan" && ["start", "end", "keep-off"].includes(question.name)) {
      const button = make("button", words.pick);
      button.type = "button";
      const far = () => (state.units === "us" ? "10ft" : "3m");
      button.addEventListener("click", () => pick_place((place) => {
        field.value = question.name === "keep-off" ? [field.value.trim(), `${place}=${far()}`].filter(Boolean).join("; ") : place;
        field.dispatchEvent(new Event("input", { bubbles: true }));
        show_place(false);
      }));
      row.append(button);
    }
    row.append(help);
    return row;
  }

  const today = () => { const now = new Date(); return new Date(now - now.getTimezoneOffset() * 60000).toISOString().slice(0, 10); };

  function add_slider(row, field, step, name) {
    const known = (sliders[step] || {})[name];
    if (!known) { return; }
    const slider = document.createElement("input");
    slider.type = "range";
    slider.setAttribute("aria-label", fields.get(name));
    const fit = () => {
      const use = known.us ? known[state ? state.units : "us"] : known;
      Object.assign(slider, { min: use.min, max: use.max, step: use.step });
      slider.value = parseFloat(field.value) || use.start;
      return use;
    };
    fit();
    const take = () => {
      const value = slider.value;
      field.value = value + (fit().unit || "");
      slider.value = value;
      field.dispatchEvent(new Event("input", { bubbles: true }));
    };
    slider.addEventListener("input", take);
    slider.addEventListener("click", take);  // where it stands already, nothing is moved
    field.addEventListener("input", fit);
    row.append(slider);
  }

  function build() {
    for (const one of given.cards) {
      const card = card_of(one.step);
      for (const question of one.questions) {
        find(question.first ? ".questions" : ".rare", card).append(make_field(question, one.step));
      }
      const slid = find("input[type=range]", card) && all("input[type=range]", card).pop().closest(".question");
      if (slid && find(".draft", card)) { slid.after(find(".draft", card), ...all("#rehearsal", card)); }
      if (!one.questions.some((question) => !question.first)) { find(".more", card).remove(); }
      find(".head", card).addEventListener("click", () => open(one.step, find(".body", card).hidden));
      find(".go", card).addEventListener("click", () => run(one.step, false));
      find(".force", card).addEventListener("click", () => run(one.step, true, asked[one.step]));
      find(".cancel", card).addEventListener("click", () => ask("/cancel", {}));
      find(".undo", card).addEventListener("click", () => undo(one.step));
      for (const change of ["input", "change"]) {
        card.addEventListener(change, () => {
          later(one.step);
          if (state && !state.steps[one.step].labels.length) { mend(one.step); }
        });
      }
      if (localStorage.getItem(`hint-${one.step}`)) { find(".hint", card).hidden = true; }
      find(".got-it", card).addEventListener("click", () => { localStorage.setItem(`hint-${one.step}`, "seen"); find(".hint", card).hidden = true; });
      bind_drop(card, one.step);
    }
    add_record_fields(card_of("record"));
    const place = { name: "place", label: words.place, help: words.place_help, kind: "text", default: "", choices: [] };
    const on_sheets = { name: "on-sheets", label: words.on_sheets, help: words.on_sheets_help, kind: "choice", default: "yes", choices: ["yes", "no"] };
    find("#under .fields").append(...[...given.under, on_sheets, place].map((question) => make_field(question, "under")));
    for (const field of all("#under [data-option]")) { field.dataset.under = field.dataset.option; delete field.dataset.option; }
    find("#under-do").addEventListener("click", async () => {
      const fields = all("#under [data-under]").map((field) => [field.dataset.under, field.value.trim()]);
      const told = await ask("/under", Object.fromEntries(fields));
      if (told) { await look(); show_place(true); say(told.words); }
    });
    find("#rehearse").addEventListener("click", async () => {
      const { visit, date, ...own } = answers("plan");
      const told = await ask("/run", { step: "rehearse", answers: { points: "90", ...own, rounds: "20" }, seen: seen() });
      if (told && told.words) { say(told.words); }
      look();
    });
  }

  // The record's fields by their plain names; together they are what the command is told.
  function add_record_fields(card) {
    const whole = find("[data-option=set]", card);
    const rules = find("[data-option=rules]", card);
    const pairs = () => new Map(whole.value.split(";").filter((one) => one.includes("=")).map((one) => [one.split("=")[0].trim(), one.split("=").slice(1).join("=").trim()]));
    const boxes = Object.entries(given.record.names).map(([key, name]) => {
      const row = make("div", "", "question");
      const box = document.createElement("input");
      box.id = `record-field-${key}`;
      box.dataset.key = key;
      box.autocomplete = "off";
      const label = make("label", name.replace(/^./, (first) => first.toUpperCase()));
      label.htmlFor = box.id;
      box.addEventListener("input", () => {
        const now = pairs();
        if (box.value.trim()) { now.set(key, box.value.trim().replace(/;/g, ",")); } else { now.delete(key); }
        whole.value = [...now].map((pair) => pair.join("=")).join("; ");
      });
      row.append(label, box);
      return row;
    });
    find(".questions", card).append(...boxes);
    const show = () => {
      const now = pairs();
      for (const row of boxes) {
        const box = find("input", row);
        if (box !== document.activeElement) { box.value = now.get(box.dataset.key) || ""; }
        row.hidden = box.dataset.key !== "irac_group" && !given.record.rules[rules.value].includes(box.dataset.key);
      }
    };
    for (const field of [whole, rules]) { field.addEventListener("input", show); }
    show();
  }

  function open(step, shown) {
    for (const card of all(".card")) {
      const it = card.dataset.step === step && shown;
      find(".body", card).hidden = !it;
      find(".head", card).setAttribute("aria-expanded", it);
    }
    draw_draft(null);
    if (shown && step === "treat") {  // asked once: what the counts were held against
      const field = find("[data-option=threshold]", card_of(step));
      if (!field.value && state) { field.value = state.steps.answer.answers.threshold || ""; field.dispatchEvent(new Event("input")); }
    }
    if (shown) { later(step); find(".head", card_of(step)).scrollIntoView({ block: "nearest" }); }
    if (state && state.newer_ground) { look(); }
  }

  // Shortly after the last change: the command line, and the draft where there is one.
  let timer = 0;
  function later(step) {
    clearTimeout(timer);
    const mine = (timer = setTimeout(async () => {
      const body = { step, answers: answers(step) };
      if (state) { sessionStorage.setItem(typed_key(step), JSON.stringify(body.answers)); }
      const lines = await ask("/line", body);
      if (lines) { find(".line code", card_of(step)).textContent = lines.join("\n"); }
      if ((step === "plan" || step === "treat") && open_step() === step) { draft(body); }
      if (timer === mine) { timer = 0; }
    }, 120));
  }

  const mended = {};  // what was wrong with a step before something in it was changed
  function mend(step) {
    mended[step] = JSON.stringify(state.steps[step].problems);
    show_card(step, state.steps[step]);
  }
  let drafting = false;
  let refused = "";  // why there is no draft, said where it is seen: the field may be far from the draft's place
  let next = null;
  async function draft(body) {
    const now = state && state.steps[body.step];
    if (!now || now.state === "needs" || state.running) { return; }
    const box = find(".draft", card_of(body.step));
    const lacks = body.step === "treat" && !body.answers.threshold;
    if (lacks || is_kept(body.step)) { next = null; box.replaceChildren(); draw_draft(null); return; }
    if (drafting) { next = body; return; }
    drafting = true;
    box.setAttribute("aria-busy", "true");
    if (box.firstChild) { box.firstChild.textContent = words.drafting; } else { tell(box, [words.drafting]); }
    const told = await ask("/draft", body);
    drafting = false;
    box.removeAttribute("aria-busy");
    if (next) { const again = next; next = null; draft(again); return; }
    if (!told || open_step() !== body.step || state.running || is_kept(body.step)) { box.replaceChildren(); return; }
    tell(box, told.problems || [words.draft, ...told.said]);
    if (told.problems) { refused = told.problems.map(in_fields).join(" "); say(refused); } else if (refused && find("#spoken").textContent === refused) { say(""); }
    draw_draft(told);
  }

  function the_map() {
    const page = frame.contentWindow && frame.contentWindow.geosample;
    return page && page.current() ? { page, map: page.current().map, L: frame.contentWindow.L, layers: page.current().layers } : null;
  }

  function draw_draft(told) {
    const on = the_map();
    if (drafts) { try { drafts.remove(); } catch { /* the page it was on has gone */ } drafts = null; }
    if (!on) { return; }
    const hide = (name, hidden) => (on.layers[name] || []).forEach((layer) => (hidden ? on.map.removeLayer(layer) : on.map.addLayer(layer)));
    if (draw_draft.hid) { draw_draft.hid.forEach((name) => hide(name, false)); draw_draft.hid = null; }
    if (!told || told.problems) { return; }
    if (told.points) {
      draw_draft.hid = ["points"];
      drafts = on.L.layerGroup(told.points.map((point) => on.page.place(
        { properties: { look: `point planned draft${point.role === "reserve" ? " reserve" : ""}`, mark: "", name: point.point_id } }, [point.lat, point.lon])));
    } else {
      draw_draft.hid = ["treat", "check"].filter((name) => on.layers[name]);
      drafts = on.L.geoJSON(told.zones, { pane: "zones", style: (item) => ({ className: `zone ${item.properties.action}`, fill: true }) });
    }
    draw_draft.hid.forEach((name) => hide(name, true));
    drafts.addTo(on.map);
    on.page.part_labels();
  }

  let pressed = "";  // the step whose answer this window waits for
  const runs = { begun: 0, ended: 0 };  // pieces of work that were asked for here, and those whose answer is shown
  const given_elsewhere = new Set();  // steps asked for with other answers than their card's: by a drawing on the map
  const asked = {};  // what a step was last asked with, for "replace it all the same"
  async function run(step, force, own) {
    runs.begun += 1;
    asked[step] = own || answers(step);
    if (!force) { given_elsewhere[own ? "add" : "delete"](step); }
    if (step === "counts") { await window.bench.settled(); }
    sessionStorage.removeItem(typed_key(step));  // from now on they are the step's
    next = null;
    delete mended[step];
    const told = await ask("/run", { step, answers: asked[step], force, seen: seen() });
    if (!told || told.words) { say((told && told.words) || find("#spoken").textContent); await look(); runs.ended += 1; return; }
    pressed = step;
    find(".got-it", card_of(step)).click();
    say("");
    draw_draft(null);
    if (find(".draft", card_of(step))) { find(".draft", card_of(step)).replaceChildren(); }
    look();
  }

  // The fields and ticks say again what now stands; where nothing does, what was asked stays, to be asked again.
  async function undo(step) {
    const told = await ask("/undo", { step, seen: seen() });
    turned = Boolean(told);
    await look();
    if (told && told.words === words.undone && state.steps[step].when && Object.keys(state.steps[step].answers).length) {
      sessionStorage.removeItem(typed_key(step));
      put_answers(step, state.steps[step].answers);
      kept[step] = answers(step);
      show_unused();
    }
    if (told) { say(told.words); }
    later(step);
  }

  function bind_drop(card, step) {
    const drop = find(".drop", card);
    if (!drop) { return; }
    const take = async (files) => {
      let laid = "";
      for (const file of files) {
        const form = new FormData();
        form.append("file", file);
        const told = await ask("/drop", form);
        if (!told) { continue; }
        // A picture is laid under the course, and what says where it lies goes with it: neither is read as ground.
        if (step === "ground" && /\.(png|jpe?g|tiff?|\w{1,3}w|wld)$/i.test(told.name)) {
          if (!/w(ld)?$/i.test(told.name)) { laid = told.name; }
          continue;
        }
        if (step === "ground") {
          all(".dropped input", card).forEach((box) => { box.checked = false; });
          const name = find("[data-option=name]", card);
          name.value = name.value || told.name.replace(/\.[^.]*$/, "").replace(/_/g, " ");
        }
        chosen.add(`${step} ${told.name}`);
        say(words.kept_file.replace("{name}", told.name));
      }
      await look();
      if (laid) {
        find("#under").open = true;
        find("#under [data-under=aerial]").value = laid;
        say(words.kept_picture.replace("{name}", laid));
      }
      later(step);
    };
    find(".files", card).addEventListener("change", (event) => { take(event.target.files); event.target.value = ""; });
    for (const [name, over] of [["dragover", true], ["dragleave", false], ["drop", false]]) {
      drop.addEventListener(name, (event) => {
        event.preventDefault();
        drop.classList.toggle("over", over);
        if (name === "drop") { take(event.dataTransfer.files); }
      });
    }
  }
  const chosen = new Set();
  async function tick(step, name) {
    if (!state.dropped.includes(name)) { chosen.add(`${step} ${name}`); await look(); }
    const box = all(".dropped input", card_of(step)).find((one) => one.value === name);
    if (box && !box.checked) { box.checked = true; }
    later(step);
  }

  function show_dropped(card, step) {
    const list = find(".dropped", card);
    const key = state.dropped.join("\n");
    if (list && list.dataset.key !== key) {
      const was = new Set(all("input:checked", list).map((box) => box.value));
      list.dataset.key = key;
      list.replaceChildren(...state.dropped.map((name) => {
        const item = document.createElement("li");
        const label = make("label");
        const box = document.createElement("input");
        box.type = "checkbox";
        box.value = name;
        box.checked = was.has(name) || chosen.delete(`${step} ${name}`);
        label.append(box, make("span", name));
        item.append(label);
        return item;
      }));
    }
    for (const select of all("select[data-file]", card)) {
      if (select.dataset.key === key) { continue; }
      const value = select.value;
      select.dataset.key = key;
      select.replaceChildren(new Option("", ""), ...state.dropped.map((name) => new Option(name, name)));
      select.value = state.dropped.includes(value) ? value : "";
    }
  }

  // A name that was not recognised, and what it is: the command's own --kinds.
  function show_labels(card, labels) {
    const box = find(".labels", card);
    const key = JSON.stringify(labels);
    if (box.dataset.key === key) { return; }
    box.dataset.key = key;
    box.replaceChildren(...labels.map((one, place) => {
      const row = make("div", "", "label-row");
      const label = make("label", `${one.label} (${one.many})`);
      const select = document.createElement("select");
      select.id = `label-${place}`;
      label.htmlFor = select.id;
      for (const kind of given.kinds) { select.append(new Option(kind, kind, false, kind === one.guess)); }
      select.dataset.label = one.label;
      row.append(label, select);
      return row;
    }));
    const write = () => {
      const kinds = find("[data-option=kinds]", card);
      const mine = all("select[data-label]", box).map((select) => `${select.dataset.label}=${select.value}`);
      const others = kinds.value.split(",").map((part) => part.trim()).filter((part) => part && !labels.some((one) => part.startsWith(`${one.label}=`)));
      kinds.value = [...others, ...mine].join(",");
    };
    if (labels.length) { write(); later(card.dataset.step); all("select", box).forEach((select) => select.addEventListener("change", write)); }
    find("#picture").hidden = !labels.length;
    if (labels.length) { find("#picture").src = `/picture?${Date.now()}`; }
  }

  function show_rehearsal() {
    const mine = state.running === "rehearse";
    const { said, rest, problems } = state.rehearsal;
    find("#rehearse").disabled = Boolean(state.running) || state.steps.plan.state === "needs";
    find("#rehearsal .progress").textContent = mine ? [words.running, ...state.talk].join(" ") : "";
    const key = JSON.stringify([said, problems]);
    if (find("#rehearsal").dataset.key !== key) { find("#rehearsal").dataset.key = key; tell(find("#rehearsal .said"), problems.length ? problems : said); }
  }

  // What came of a press is seen wherever the card was scrolled to; the keys go there from the button alone.
  function show_answer(step) {
    const card = card_of(step);
    const box = part(card, find(".problems li", card) ? "problems" : "said");
    box.scrollIntoView({ block: "center" });
    if (document.activeElement === document.body || document.activeElement.closest(".buttons")) { box.focus({ preventScroll: true }); }
  }

  const part = (card, looks) => find(`:scope > .body > .${looks}`, card);  // not the rehearsal's
  function show_card(step, now) {
    const card = card_of(step);
    const problems = mended[step] === JSON.stringify(now.problems) ? [] : now.problems;
    const mine = state.running === step || (step === "plan" && state.running === "rehearse");
    for (const name of ["done", "stale", "needs", "ready"]) { card.classList.toggle(name, now.state === name); }
    find(".state", card).textContent = mine ? words.running : now.state === "done" && now.when ? `${words.done} ${when(now.when)}` : now.words;
    const parts = [now.words, now.when && when(now.when), now.names.length && words.from.replace("{names}", now.names.join(", "))];
    find(".when", card).textContent = parts.filter(Boolean).join(", ");
    find(".go", card).disabled = Boolean(state.running) || now.state === "needs";
    find(".cancel", card).hidden = !mine;
    find(".undo", card).hidden = !now.undo || Boolean(state.running);
    find(".force", card).hidden = !problems.length || !now.force || Boolean(state.running);
    find(".force", card).textContent = now.force;
    part(card, "progress").textContent = mine ? [words.running, ...state.talk].join(" ") : "";
    const key = JSON.stringify([now.said, now.rest, now.files, problems]);
    if (card.dataset.key !== key) {
      card.dataset.key = key;
      tell(part(card, "said"), now.said);
      tell(find(".rest", card), now.rest);
      find(".all", card).hidden = !now.rest.length;
      find(".problems", card).replaceChildren(...problems.map((line) => make("li", in_fields(line))));
      find(".made", card).replaceChildren(...now.files.map((name) => {
        const item = document.createElement("li");
        const link = make("a", name);
        link.href = `/made/${encodeURIComponent(name)}`;
        link.target = "_blank";
        link.rel = "noopener";
        item.append(link);
        return item;
      }));
      if (step === "counts" && window.bench && problems.length === now.problems.length) { window.bench.mark(problems); }
    }
    show_labels(card, now.labels);
    show_dropped(card, step);
  }

  // What nothing rests on any more; a file that is ticked is about to be used.
  const unused = () => state.unused.filter((path) => !all(".dropped input:checked").some((box) => `dropped/${box.value}` === path));
  function show_unused() {
    const paths = unused();
    find("#unused").hidden = !paths.length;
    find("#unused summary").textContent = words.unused.replace("{many}", paths.length);
    find("#unused ul").replaceChildren(...paths.map((path) => make("li", path)));
  }

  const when = (text) => new Date(text).toLocaleString([], { month: "short", day: "numeric", hour: "2-digit", minute: "2-digit" });

  function fill(select, names, value, more) {
    const key = JSON.stringify([names, more]);
    if (select.dataset.key !== key) {
      select.dataset.key = key;
      select.replaceChildren(...names.map((name) => new Option(name, name)), ...(more ? [new Option(more, "new")] : []));
    }
    select.value = value;
  }

  const looks = { asked: 0, shown: 0 };
  async function look() {
    const mine = (looks.asked += 1);
    const told = await ask("/state");
    if (!told || mine < looks.shown) { return; }  // an older answer that came later
    looks.shown = mine;
    const was = state;
    state = told;
    find("#course").textContent = told.course || "geosample desk";
    document.title = `${told.course || told.survey}: geosample desk`;
    fill(find("#survey"), told.surveys, told.survey, "A new one ...");
    fill(find("#visit"), told.visits, told.visit);
    find("#units").value = told.units;
    for (const [step, now] of Object.entries(told.steps)) {
      show_card(step, now);
      if (was && was.steps[step].when !== now.when && Object.keys(now.answers).length) { kept[step] = now.answers; }
    }
    let answered = false;
    if (pressed && !told.running) {
      const step = pressed;
      pressed = "";
      answered = true;
      const now = told.steps[step];
      if (now && !now.problems.length && given_elsewhere.delete(step)) { put_answers(step, now.answers); kept[step] = answers(step); later(step); }
      if (now) { show_answer(step); }
    }
    show_rehearsal();
    show_unused();
    fill(find("#beside-visit"), ["", ...told.visits.filter((visit) => visit !== told.visit)], find("#beside-visit").value);
    if (!find("#beside-visit").value) { find("#beside-visit").value = ""; }
    find(".visit").hidden = !told.visits.length;
    find(".beside").hidden = told.visits.length < 2;
    if (!was) { all("#under [data-under]").forEach((field) => { field.value = told.under[field.dataset.under] || field.value; }); }
    const { sheets, ...seen } = told.drawn;
    // Where the ground is read or planned on, it is the newest, which the visit that is shown need not rest on.
    const newest = told.newer_ground && ["ground", "plan"].includes(open_step());
    const key = JSON.stringify([told.survey, told.visit, told.units, told.under, seen, newest]);
    if (told.wrong) { say(told.wrong); } else if (was && was.wrong && find("#spoken").textContent === was.wrong) { say(""); }
    if (key !== drawn && !told.running) {
      if (was && drawn && !was.running && !told.wrong) { say_changed(was, told); }
      const same = was && was.survey === told.survey && was.drawn.ground === told.drawn.ground;
      const on = the_map();
      view = on && (same || window.draw.active()) ? [on.map.getCenter(), on.map.getZoom()] : null;
      drawn = key;
      drafts = null;
      draw_draft.hid = null;
      find("#wait").textContent = words.running;
      if (window.draw) { window.draw.detach(); }
      loading = true;
      frame.src = `/map?${newest ? "newest&" : ""}${Date.now()}`;
      if (newest) { say(words.newest_ground.replace("{visit}", told.visit)); }
      show_beside();
    }
    if (answered) { runs.ended += 1; }
    if (!was || was.survey !== told.survey) { fill_answers(!was); first_open(); return; }
    if (was.visit !== told.visit) { fill_answers(); }
    if (was.units !== told.units) {
      for (const field of all("[data-us], [data-metric]")) {
        if ([field.dataset.us, field.dataset.metric, field.dataset.fallback].includes(field.value)) { field.value = fallback(field); }
      }
    }
    if (open_step() && JSON.stringify([was.visit, was.units]) !== JSON.stringify([told.visit, told.units])) { later(open_step()); }
  }

  const title_of = (step) => given.cards.find((one) => one.step === step).title;
  let turned = false;  // by this window itself
  function say_changed(was, told) {
    if (turned) { turned = false; return; }
    const steps = Object.keys(told.drawn).filter((step) => was.drawn[step] !== told.drawn[step]).map(title_of);
    if (was.survey !== told.survey || was.visit !== told.visit) { say(words.turned.replace("{visit}", told.visit || "-").replace("{survey}", told.survey)); }
    else if (steps.length) { say(words.changed.replace("{steps}", steps.join(", "))); }
  }

  // The first step of a survey that waits to be done opens by itself.
  function first_open() {
    const waiting = Object.entries(state.steps).find(([, now]) => now.state === "ready" || now.state === "stale");
    open(waiting ? waiting[0] : "treat", true);
  }

  frame.addEventListener("load", () => {
    loading = false;
    const on = the_map();
    find("#wait").textContent = "";
    if (!on) { return; }
    if (view) { on.map.setView(view[0], view[1], { animate: false }); }
    for (const layer of [...(on.layers.surfaces || []), ...(on.layers.obstacles || [])]) { layer.eachLayer((shape) => shape.on("click", (event) => surface_clicked(shape.feature, event.latlng))); }
    window.draw.resume();
    on.map.on("click", place_clicked);
    on.map.eachLayer((layer) => { if (layer.feature) { layer.on("click", place_clicked); } });
    if (open_step()) { later(open_step()); }
  });

  function pick_place(take) {
    pick = take;
    say(words.pick_now);
    show_place(true);
  }

  function place_clicked(event) {
    if (!pick) { return; }
    const take = pick;
    pick = null;
    say("");
    the_map().map.closePopup();
    take(`${event.latlng.lng.toFixed(6)},${event.latlng.lat.toFixed(6)}`);
  }

  // On the plan's card a tap takes a hole in or out; on the ground's it opens the surface for a correction.
  function surface_clicked(feature, at) {
    if (pick || window.draw.active()) { return; }
    const step = open_step();
    const own = feature.properties;
    if (step === "plan" && own.hole) {
      the_map().map.closePopup();
      const field = find("[data-option=holes]", card_of("plan"));
      const holes = field.value.split(",").map((hole) => hole.trim()).filter(Boolean);
      field.value = (holes.includes(own.hole) ? holes.filter((hole) => hole !== own.hole) : [...holes, own.hole]).join(",");
      field.dispatchEvent(new Event("input", { bubbles: true }));
    }
    if (step === "ground" && (own.id || own.row !== undefined)) {
      the_map().map.closePopup();
      window.draw.choose(feature, at);
    }
  }

  // Another visit beside the one that is worked on: the same ground in view, the same measure.
  function show_beside() {
    const visit = find("#beside-visit").value;
    find("#place").classList.toggle("two", Boolean(visit));
    beside.hidden = !visit;
    if (visit) { beside.src = `/map?visit=${encodeURIComponent(visit)}&${Date.now()}`; } else { beside.removeAttribute("src"); }
    if (the_map()) { the_map().map.invalidateSize({ animate: false }); }
  }

  function pick_alike(one, two) {
    const pick_of = (of) => of.contentDocument.querySelector("#raster");
    if (pick_of(one)) {
      pick_of(one).addEventListener("change", (event) => {
        if (!event.isTrusted || !pick_of(two)) { return; }
        pick_of(two).value = pick_of(one).value;
        pick_of(two).dispatchEvent(new Event("change"));
      });
    }
  }
  for (const one of [frame, beside]) {
    one.addEventListener("load", () => {
      const ready = [frame, beside].every((of) => !beside.hidden && of.contentWindow.geosample && of.contentWindow.geosample.current());
      if (!ready) { return; }
      pick_alike(frame, beside);
      pick_alike(beside, frame);
      const { map, page } = the_map();
      const other = beside.contentWindow.geosample.current().map;
      page.pair(map, other, () => !beside.hidden && document.contains(beside) && beside.contentWindow.geosample && beside.contentWindow.geosample.current().map === other);
      map.invalidateSize({ animate: false });
      map.fire("move");
    });
  }

  function show_place(shown) {
    document.body.classList.toggle("show-map", shown);
    document.body.classList.toggle("show-work", !shown);
    find("#other").textContent = shown ? words.show_work : words.show_map;
    const on = the_map();
    if (on) { on.map.invalidateSize({ animate: false }); }
  }

  async function move(change) {
    const told = await ask("/switch", { survey: state.survey, visit: state.visit, units: state.units, ...change });
    turned = Boolean(told);
    if (told) { say(""); look(); }
  }

  function bind() {
    find("#other").addEventListener("click", () => show_place(document.body.classList.contains("show-work")));
    find("#close").addEventListener("click", async () => {
      const told = await ask("/close", {});
      clearTimeout(clock);
      if (told) { document.body.replaceChildren(make("p", told.words, "hint")); }
    });
    find("#units").addEventListener("change", (event) => move({ units: event.target.value }));
    find("#visit").addEventListener("change", (event) => move({ visit: event.target.value }));
    find("#survey").addEventListener("change", (event) => {
      if (event.target.value === "new") { find("#new-survey").showModal(); } else { move({ survey: event.target.value, visit: "" }); }
    });
    find("#new-survey").addEventListener("close", () => {
      if (find("#new-survey").returnValue === "yes") { move({ survey: find("#new-name").value, visit: "" }); } else { look(); }
    });
    find("#beside-visit").addEventListener("change", show_beside);
    find("#put-away").addEventListener("click", async () => { const told = await ask("/put-away", { names: unused() }); if (told) { say(told.words); look(); } });
  }

  let clock = 0;
  async function watch() {
    await look();
    clock = setTimeout(watch, state && state.running ? 400 : 2500);
  }

  build();
  bind();
  watch();
  return { ask, find, make, words, say, look, state: () => state, show_place, pick_place, the_map, loading: () => loading, runs: () => runs, quiet: () => !(timer || drafting || loading || pressed), seen, run, tick, mend, kinds: given.kinds };
})();

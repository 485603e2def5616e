"use strict";
// The phones on the desk's page: the code they come in by, who is there, and what they say differently.
(() => {
  const { find, make, ask, say } = desk;
  const words = JSON.parse(find("meta[name=desk-given]").content).phones;
  const box = find("#phones"), opener = find("#open-phones");
  const fill = (text, facts) => text.replace(/\{(\w+)\}/g, (_, name) => facts[name]);
  const button = (text, tap, looks) => { const one = make("button", text, looks); one.type = "button"; one.addEventListener("click", tap); return one; };
  let shown = "";

  async function act(body) { const told = await ask("/phones", body); if (told) { say(told.words); } look(); }

  async function look() {
    if (box.hidden) { return; }
    const told = await ask("/phones");
    if (!told || JSON.stringify(told) === shown) { return; }
    shown = JSON.stringify(told);
    const parts = [button(words.back, close), make("h2", words.title)];
    if (told.wrong) { parts.push(make("p", told.wrong, "problems")); }
    if (told.code) {
      const code = document.createElement("img");
      code.src = told.code;
      code.alt = told.address;
      code.className = "code";
      parts.push(make("p", words.scan), code, make("p", told.address, "address"), make("p", words.open_network));
    }
    for (const group of told.differing || []) {
      parts.push(make("p", fill(words.differ, group[0]), "problems"));
      for (const one of group) { parts.push(button(fill(words.this_holds, one), () => act({ settle: one.entry_id, of: group.map((other) => other.entry_id) }), "settle")); }
    }
    if (told.people && !told.people.length) { parts.push(make("p", words.nobody)); }
    for (const one of told.people || []) {
      const line = make("p", fill(one.there ? words.one : words.away, { ...one, at: one.at ? fill(words.at, one) : "" }), "person");
      line.append(" ", button(words.end_one, () => act({ end: one.phone })));
      parts.push(line);
    }
    if (told.people && told.people.length) { parts.push(button(words.end_all, () => act({ end: "" }))); }
    if (told.file) { parts.push(make("p", fill(words.came, told))); }
    box.replaceChildren(...parts);
  }

  function close() { box.hidden = true; desk.show_place(false); desk.look(); }
  opener.addEventListener("click", () => { box.hidden = false; shown = ""; desk.show_place(true); look(); });
  ask("/phones").then((told) => { opener.hidden = !(told && told.on); });
  setInterval(look, 3000);
})();

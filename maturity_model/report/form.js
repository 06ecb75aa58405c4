"use strict";
(() => {
  const one = (query, root = document) => root.querySelector(query);
  const all = (query, root = document) => [...root.querySelectorAll(query)];
  const form = one("#form");
  const set = form.dataset;
  const signs = JSON.parse(set.signs);
  const ranges = JSON.parse(set.ranges);
  const analytes = Object.keys(ranges);
  document.documentElement.classList.add("live");

  // The calendar day where the keeper is; toISOString() would give the day in Greenwich.
  const two = (n) => String(n).padStart(2, "0");
  const today = () => {
    const now = new Date();
    return `${String(now.getFullYear()).padStart(4, "0")}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
  };

  // -- drafts ------------------------------------------------------------------------------
  const KEY = "maturity-model form " + JSON.stringify([set.keeper]);
  const keyOf = (tank) => KEY + JSON.stringify([tank.dataset.tank]);
  let store = null;
  try {
    store = window.localStorage;
    store.setItem(KEY + " try", "1");
    store.removeItem(KEY + " try");
  } catch {
    store = null;
  }
  const keep = (key, value) => {
    try {
      if (value === null) store.removeItem(key);
      else store.setItem(key, JSON.stringify(value));
    } catch {
      noDrafts();
    }
  };
  const kept = (key) => {
    try {
      return JSON.parse(store.getItem(key));
    } catch {
      return null;
    }
  };
  const noDrafts = () => {
    store = null;
    one("#no-drafts").hidden = false;
  };

  // -- one tank's answers --------------------------------------------------------------------
  const tanks = all(".tank");
  const answerOf = (box) => one("input:checked", box)?.value ?? "";
  const readingOf = (box) => {
    const list = one("select", box);
    const own = one("input", box);
    return (list && list.value !== "other" ? list.value : own.value).trim();
  };
  const field = (tank, name) => one(`[data-field="${name}"]`, tank);

  // Without a prototype: a club may call its sign "constructor".
  const empty = () => Object.create(null);

  const read = (tank) => {
    const out = { signs: empty(), readings: empty(), events: [] };
    for (const name of ["date", "look", "judged_phase", "note"]) out[name] = field(tank, name).value.trim();
    for (const box of all("[data-sign]", tank)) if (answerOf(box)) out.signs[box.dataset.sign] = answerOf(box);
    for (const box of all("[data-analyte]", tank)) {
      if (readingOf(box)) out.readings[box.dataset.analyte] = readingOf(box);
    }
    for (const box of all(".event", tank)) {
      const event = { box };
      for (const name of ["event", "amount", "date", "note"]) event[name] = one(`[data-part="${name}"]`, box).value.trim();
      if (event.event || event.amount || event.note) out.events.push(event);
    }
    out.checked = Object.keys(out.signs).length + Object.keys(out.readings).length > 0
      || out.judged_phase !== "" || out.note !== "";
    return out;
  };

  const setReading = (box, value) => {
    const list = one("select", box);
    const own = one("input", box);
    const known = list && [...list.options].some((o) => o.value === value && value !== "other");
    if (list) list.value = known ? value : value ? "other" : "";
    own.value = known ? "" : value;
    if (list) own.hidden = list.value !== "other";
  };

  const write = (tank, from) => {
    for (const name of ["date", "look", "judged_phase", "note"]) {
      if (typeof from[name] === "string") field(tank, name).value = from[name];
    }
    if (!field(tank, "date").value) field(tank, "date").value = today();
    for (const box of all("[data-sign]", tank)) {
      const said = from.signs?.[box.dataset.sign] ?? "";
      for (const radio of all("input", box)) radio.checked = radio.value === said;
      if (!one("input:checked", box)) one("input", box).checked = true;
    }
    for (const box of all("[data-analyte]", tank)) setReading(box, String(from.readings?.[box.dataset.analyte] ?? ""));
    for (const box of all(".event", tank)) box.remove();
    for (const event of Array.isArray(from.events) ? from.events : []) addEvent(tank, event);
    tank.dataset.dated = from.dated ? "yes" : "";
  };

  const addEvent = (tank, from) => {
    const box = one("#event").content.firstElementChild.cloneNode(true);
    const place = one(".events", tank);
    const id = `${tank.id}-e${(place.dataset.count = Number(place.dataset.count || 0) + 1)}`;
    for (const part of all("[data-part]", box)) {
      part.id = `${id}-${part.dataset.part}`;
      one(`[data-label="${part.dataset.part}"]`, box).htmlFor = part.id;
    }
    for (const option of all("option", box)) {
      if (option.value && tank.dataset.cannot.split(" ").includes(option.value)) option.remove();
    }
    const date = one('[data-part="date"]', box);
    date.min = tank.dataset.started;
    date.max = date.value = today();
    for (const name of ["event", "amount", "date", "note"]) {
      if (typeof from?.[name] === "string" && from[name]) one(`[data-part="${name}"]`, box).value = from[name];
    }
    amount(box);
    place.append(box);
    return box;
  };

  // The amount means something else for each event, and nothing for some.
  const amount = (box) => {
    const { means = "", usual = "" } = one('[data-part="event"]', box).selectedOptions[0]?.dataset ?? {};
    one(".amount", box).hidden = !means;
    one('[data-label="amount"]', box).textContent = means || "Amount";
    one(".usual", box).textContent = usual ? `Left blank, it counts as ${usual}.` : "";
    if (!means) one('[data-part="amount"]', box).value = "";
  };

  const keepTank = (tank) => {
    const said = read(tank);
    tank.classList.toggle("begun", said.checked || said.events.length > 0);
    if (store) {
      const events = said.events.map(({ box, ...event }) => event);
      const begun = said.checked || events.length > 0;
      keep(keyOf(tank), begun ? { ...said, events, dated: tank.dataset.dated === "yes", on: today() } : null);
    }
    // What was saved before is no longer all there is.
    if (store && kept(KEY)?.saved) keep(KEY, { ...kept(KEY), saved: "" });
    count();
  };

  const count = () => {
    const said = tanks.map(read);
    const looks = said.filter((x) => x.checked).length;
    const events = said.reduce((sum, x) => sum + x.events.length, 0);
    one("#count").textContent = looks || events
      ? `${looks} check-in${looks === 1 ? "" : "s"} and ${events} event${events === 1 ? "" : "s"} to save.`
      : "Nothing is filled in yet.";
    return { looks, events };
  };

  // -- checking ----------------------------------------------------------------------------
  // Written as the logbook writes decimals; null where it is no number.
  const number = (text) => {
    const match = /^([<>]?)\s*(\d*)(?:([.,])(\d*))?$/.exec(text);
    if (!match || !(match[2] || match[4])) return null;
    const [, sign, whole, mark, rest = ""] = match;
    // 1,026 may be a thousand: asked, not guessed.
    if (mark === "," && set.decimal !== "," && rest.length === 3) return undefined;
    const value = Number(`${whole || 0}.${rest || 0}`);
    return { sign, value, text: sign + (whole || "0") + (rest ? set.decimal + rest : "") };
  };

  const faults = [];
  const fault = (input, tank, what) => {
    const id = `${input.id}-fault`;
    const said = document.createElement("p");
    said.className = "fault";
    said.id = id;
    said.textContent = what;
    input.closest(".reading, .event, .pair > div, div, fieldset").append(said);
    input.setAttribute("aria-invalid", "true");
    if (!input.dataset.described) input.dataset.described = input.getAttribute("aria-describedby") ?? "none";
    input.setAttribute("aria-describedby", id);
    faults.push({ input, text: `${tank.dataset.tank}: ${what}` });
  };
  const forget = () => {
    faults.length = 0;
    for (const said of all(".fault")) said.remove();
    for (const input of all("[aria-invalid]")) {
      input.removeAttribute("aria-invalid");
      if (input.dataset.described === "none") input.removeAttribute("aria-describedby");
      else input.setAttribute("aria-describedby", input.dataset.described);
    }
    one("#faults").hidden = true;
  };

  const checkDate = (input, tank, what) => {
    if (!/^\d{4}-\d{2}-\d{2}$/.test(input.value)) fault(input, tank, `Give the day of the ${what}.`);
    else if (input.value > today()) fault(input, tank, `The day of the ${what} has not come yet.`);
    else if (input.value < tank.dataset.started) {
      fault(input, tank, `The day of the ${what} lies before the tank was started (${tank.dataset.started}).`);
    }
  };

  const readingText = (box, tank, text) => {
    const input = one("select", box)?.value !== "other" && one("select", box) || one("input", box);
    const found = number(text);
    const label = box.dataset.label;
    if (found === undefined) fault(input, tank, `${label}: ${text} may be a thousand or a fraction. Write it with a point.`);
    else if (found === null) fault(input, tank, `${label}: write a number, such as 0.25 or <0.25.`);
    else if (oddity(box, text)?.impossible) fault(input, tank, oddity(box, text).said);
    else return found.text;
    return "";
  };

  // What is odd about a number, in the units that it may be written in; as `add` will say it.
  const oddity = (box, text) => {
    const value = number(text)?.value;
    const taken = JSON.parse(box.dataset.units);
    const units = Object.entries(ranges[box.dataset.analyte]);
    const own = units.filter(([name]) => taken.includes(name));
    const usual = ([, { bounds }]) => value >= bounds[1] && value <= bounds[2];
    if (value === undefined || own.some(usual)) return null;
    const impossible = !own.some(([, { bounds }]) => value >= bounds[0] && value <= bounds[3]);
    const other = (impossible || !box.dataset.nutrient) && units.find((unit) => !own.includes(unit) && usual(unit));
    const range = own.map(([, { said, bounds }]) => `${+bounds[1].toPrecision(4)} to ${+bounds[2].toPrecision(4)} ${said}`.trim()).join(", or ");
    const seems = other ? `${text} looks like ${other[1].said}.` : "Check the unit and the decimal mark.";
    return { impossible, said: `${box.dataset.label}: ${text} ${impossible ? "cannot be right" : "is unusual"}; usual is ${range}. ${seems}` };
  };
  const warn = (box) => {
    const odd = oddity(box, readingOf(box));
    one(".odd", box).textContent = odd ? odd.said : "";
  };

  const amountText = (event, tank) => {
    const input = one('[data-part="amount"]', event.box);
    const { means = "", usual = "", most = "", percent = "" } = one('[data-part="event"]', event.box).selectedOptions[0].dataset;
    if (!means) return "";
    if (!event.amount) {
      if (!usual) fault(input, tank, `${means}: it is needed.`);
      return "";
    }
    const found = number(event.amount);
    if (!found || found.sign || found.value <= 0) fault(input, tank, `${means}: write a number above 0.`);
    else if (percent && found.value < 1) fault(input, tank, `${means}: write 25 for a quarter of the volume.`);
    else if (most && found.value > Number(most)) fault(input, tank, `${means}: at most ${most}.`);
    else return found.text;
    return "";
  };

  // -- the file ----------------------------------------------------------------------------
  const oneLine = (text) => text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]+/g, " ").trim();
  // A spreadsheet must not take a name or a note for a formula; the reader undoes it for names.
  const harmless = (text) => (/^[=+\-@]/.test(text) ? "'" + text : text);
  const cell = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);

  const build = () => {
    const rows = [];
    const observer = harmless(oneLine(one("#observer").value));
    for (const tank of tanks) {
      const said = read(tank);
      const name = harmless(tank.dataset.tank);
      if (said.checked) {
        checkDate(field(tank, "date"), tank, "check-in");
        const row = Object.assign(empty(), { tank: name, date: said.date, observer, look: said.look, judged_phase: said.judged_phase, note: harmless(oneLine(said.note)) }, said.signs);
        for (const box of all("[data-analyte]", tank)) {
          const text = said.readings[box.dataset.analyte];
          if (text) row[box.dataset.analyte] = readingText(box, tank, text);
        }
        rows.push(row);
      }
      for (const event of said.events) {
        const kind = one('[data-part="event"]', event.box);
        if (!event.event) {
          fault(kind, tank, "Say which event it was, or remove it.");
          continue;
        }
        checkDate(one('[data-part="date"]', event.box), tank, "event");
        rows.push(Object.assign(empty(), { tank: name, date: event.date, event: event.event, amount: amountText(event, tank), note: harmless(oneLine(event.note)) }));
      }
    }
    const known = ["tank", "date", "observer", "look", "judged_phase", ...signs, ...analytes, "event", "amount", "note"];
    const columns = known.filter((c) => c === "tank" || c === "date" || rows.some((row) => row[c]));
    return [columns, ...rows.map((row) => columns.map((c) => row[c] ?? ""))]
      .map((line) => line.map(cell).join(",") + "\n").join("");
  };

  const save = () => {
    forget();
    one("#saved").hidden = true;
    for (const date of all('input[type="date"]')) date.max = today();
    const text = build();
    const { looks, events } = count();
    const status = one("#status");
    if (faults.length) {
      const list = one("#faults ul");
      list.replaceChildren(...faults.map(({ input, text: what }) => {
        const item = document.createElement("li");
        const link = document.createElement("a");
        link.href = `#${input.id}`;
        link.textContent = what;
        link.addEventListener("click", (press) => { press.preventDefault(); reveal(input); });
        item.append(link);
        return item;
      }));
      one("#faults").hidden = false;
      one("#faults").focus();
      status.textContent = "";
      return;
    }
    if (!looks && !events) {
      status.textContent = "Nothing is filled in yet, so there is nothing to save.";
      return;
    }
    one("#text").value = text;
    one("#saved").hidden = false;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
    link.download = `${set.file}-${today()}.csv`;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    status.textContent = `Saved as ${link.download}, where your browser keeps downloads.`;
    keep(KEY, { ...(kept(KEY) ?? {}), saved: today() });
  };

  const reveal = (input) => {
    const folded = input.closest("details");
    if (folded) folded.open = true;
    input.focus();
  };

  // -- what the keeper does ------------------------------------------------------------------
  const touched = (target) => {
    const tank = target.closest(".tank");
    if (target.id === "observer") keep(KEY, { ...(kept(KEY) ?? {}), observer: target.value });
    if (!tank) return;
    const date = field(tank, "date");
    if (target === date) tank.dataset.dated = "yes";
    // A page left open over midnight: the day is that of the first answer.
    else if (!tank.classList.contains("begun") && tank.dataset.dated !== "yes") date.value = today();
    if (target.matches("[data-analyte] select")) {
      const own = one("input", target.closest("[data-analyte]"));
      own.hidden = target.value !== "other";
      if (!own.hidden) own.focus();
    }
    if (target.closest("[data-analyte]")) warn(target.closest("[data-analyte]"));
    if (target.matches('[data-part="event"]')) amount(target.closest(".event"));
    keepTank(tank);
  };
  document.addEventListener("input", (e) => touched(e.target));
  form.addEventListener("submit", (e) => e.preventDefault());
  form.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    const tank = button?.closest(".tank");
    if (button?.classList.contains("add")) one("select", addEvent(tank, null)).focus();
    if (button?.classList.contains("remove")) {
      button.closest(".event").remove();
      keepTank(tank);
      one(".add", tank).focus();
    }
  });
  one("#write").addEventListener("click", save);
  one("#copy").addEventListener("click", async () => {
    const area = one("#text");
    area.select();
    let done = false;
    try {
      await navigator.clipboard.writeText(area.value);
      done = true;
    } catch {
      done = document.execCommand("copy");
    }
    one("#status").textContent = done ? "Copied." : "Copying is not allowed here: the text is selected, copy it by hand.";
  });

  const asking = one("#asking");
  const ask = (on) => {
    asking.hidden = !on;
    one("#clear").hidden = on;
    one(on ? "#no" : "#clear").focus();
  };
  const clear = () => {
    forget();
    for (const tank of tanks) {
      if (store) keep(keyOf(tank), null);
      tank.classList.remove("begun");
      write(tank, { date: today(), look: "careful", judged_phase: "", note: "" });
    }
    keep(KEY, { observer: one("#observer").value });
    one("#saved").hidden = true;
    one("#text").value = "";
    one("#draft").hidden = true;
    count();
    one("#status").textContent = "All answers are deleted.";
  };
  one("#clear").addEventListener("click", () => ask(true));
  one("#no").addEventListener("click", () => ask(false));
  one("#yes").addEventListener("click", () => { clear(); ask(false); });
  one("#afresh").addEventListener("click", () => { clear(); one("#observer").focus(); });
  addEventListener("beforeunload", (e) => {
    const { looks, events } = count();
    if (!store && (looks || events) && one("#saved").hidden) e.preventDefault();
  });

  // -- begin -------------------------------------------------------------------------------
  if (!store) noDrafts();
  const general = store && kept(KEY);
  if (typeof general?.observer === "string") one("#observer").value = general.observer;
  const days = [];
  for (const tank of tanks) {
    for (const date of all('input[type="date"]', tank)) {
      date.max = today();
      date.value = today();
    }
    const draft = store && kept(keyOf(tank));
    if (draft && typeof draft === "object") {
      write(tank, draft);
      tank.classList.add("begun");
      days.push(String(draft.on));
    }
  }
  if (days.length) {
    days.sort();
    const when = days[days.length - 1];
    const saved = general?.saved && general.saved >= when ? ", saved already," : "";
    one("#draft span").textContent = `Answers of ${when}${saved} are still here.`;
    one("#draft").hidden = false;
  }
  count();
})();

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

  // -- drafts: one for each day, and the last file that was saved -------------------------------
  const KEY = "maturity-model form " + JSON.stringify([set.keeper]);
  let store = null;
  try {
    store = window.localStorage;
    store.setItem(KEY + " try", "1");
    store.removeItem(KEY + " try");
  } catch {
    store = null;
  }
  const kept = () => {
    try {
      const drafts = JSON.parse(store.getItem(KEY));
      return drafts && typeof drafts === "object" ? drafts : {};
    } catch {
      return {};
    }
  };
  const keep = (day, draft) => {
    if (!store) return;
    const drafts = kept();
    if (draft) drafts[day] = draft;
    else delete drafts[day];
    try {
      store.setItem(KEY, JSON.stringify(drafts));
    } catch {
      store = null;
      one("#no-drafts").hidden = false;
    }
  };

  // -- one tank's answers --------------------------------------------------------------------
  const tanks = all(".card");
  const day = one("#date");
  const observer = one("#observer");
  const TEXTS = ["look", "judged_phase", "note"];
  const PARTS = ["event", "amount", "date", "note"];
  const field = (tank, name) => one(`[data-field="${name}"]`, tank);
  const part = (box, name) => one(`[data-part="${name}"]`, box);
  const answerOf = (box) => one("input:checked", box)?.value ?? "";
  const readingOf = (box) => {
    const list = one("select", box);
    return (list && list.value !== "other" ? list.value : one("input", box).value).trim();
  };

  // Without a prototype: a club may call its sign "constructor".
  const empty = () => Object.create(null);

  const photosIn = (tank) => all("[data-view]", tank).filter((input) => input.files.length);

  const read = (tank) => {
    const out = { signs: empty(), readings: empty(), events: [] };
    for (const name of TEXTS) out[name] = field(tank, name).value.trim();
    for (const box of all("[data-sign]", tank)) if (answerOf(box)) out.signs[box.dataset.sign] = answerOf(box);
    for (const box of all("[data-analyte]", tank)) {
      if (readingOf(box)) out.readings[box.dataset.analyte] = readingOf(box);
    }
    for (const box of all(".event", tank)) {
      const event = Object.fromEntries(PARTS.map((name) => [name, part(box, name).value.trim()]));
      if (event.event || event.amount || event.note) out.events.push(event);
    }
    const answers = Object.keys(out.signs).length + Object.keys(out.readings).length;
    out.checked = answers > 0 || out.judged_phase !== "" || out.note !== "";
    out.begun = out.checked || out.events.length > 0;
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
    for (const name of TEXTS) field(tank, name).value = typeof from[name] === "string" ? from[name] : "";
    if (!field(tank, "look").value) field(tank, "look").selectedIndex = 0;
    for (const box of all("[data-sign]", tank)) {
      const value = from.signs?.[box.dataset.sign] ?? "";
      for (const radio of all("input", box)) radio.checked = radio.value === value;
    }
    for (const box of all("[data-analyte]", tank)) {
      setReading(box, String(from.readings?.[box.dataset.analyte] ?? ""));
      warn(box);
    }
    for (const box of all(".event", tank)) box.remove();
    for (const event of Array.isArray(from.events) ? from.events : []) addEvent(tank, event);
    showState(tank);
  };

  const addEvent = (tank, from) => {
    const box = one("#event").content.firstElementChild.cloneNode(true);
    const place = one(".events", tank);
    const id = `${tank.id}-e${(place.dataset.count = Number(place.dataset.count || 0) + 1)}`;
    for (const input of all("[data-part]", box)) {
      input.id = `${id}-${input.dataset.part}`;
      one(`[data-label="${input.dataset.part}"]`, box).htmlFor = input.id;
    }
    for (const option of all("option", box)) {
      if (option.value && tank.dataset.cannot.split(" ").includes(option.value)) option.remove();
    }
    part(box, "date").min = tank.dataset.started;
    part(box, "date").max = part(box, "date").value = today();
    for (const name of PARTS) if (typeof from?.[name] === "string" && from[name]) part(box, name).value = from[name];
    amount(box);
    place.append(box);
    return box;
  };

  // The amount means something else for each event, and nothing for some.
  const amount = (box) => {
    const { means = "", usual = "", description = "" } = one('[data-part="event"]', box).selectedOptions[0]?.dataset ?? {};
    one(".amount", box).hidden = !means;
    one('[data-label="amount"]', box).textContent = means || "Amount";
    one(".description", box).textContent = description;
    one(".usual", box).textContent = usual ? `Left blank, it counts as ${usual}.` : "";
    if (!means) one('[data-part="amount"]', box).value = "";
  };

  const showState = (tank) => {
    const asked = all("[data-asked]", tank);
    const answered = asked.filter((box) => (box.dataset.sign ? answerOf(box) : readingOf(box))).length;
    const words = answered === asked.length ? "Done" : `${answered} of ${asked.length}`;
    const begun = read(tank).begun || photosIn(tank).length > 0;
    one(".state", tank).textContent = begun ? words : "Not begun";
    for (const box of all("[data-sign]", tank)) one(".undo", box).hidden = !answerOf(box);
  };

  // -- the day and its draft -------------------------------------------------------------------
  // A draft belongs to its day: it never turns into another day's answers.
  let draftDay = "";
  const keepDraft = () => {
    if (draftDay && draftDay !== day.value) keep(draftDay, null);
    draftDay = day.value || today();
    const begun = tanks.map((tank) => [tank.dataset.tank, read(tank)]).filter(([, said]) => said.begun);
    keep(draftDay, begun.length ? { observer: observer.value, tanks: begun } : null);
    count();
  };
  const putBack = (date, draft) => {
    day.value = draftDay = date;
    day.dataset.chosen = "yes";
    if (typeof draft.observer === "string") observer.value = draft.observer;
    for (const [name, from] of Array.isArray(draft.tanks) ? draft.tanks : []) {
      const tank = tanks.find((x) => x.dataset.tank === name);
      if (tank && from && typeof from === "object") write(tank, from);
    }
    keepDraft();
  };
  const clear = (some) => {
    for (const tank of some) {
      write(tank, {});
      for (const input of all("[data-view]", tank)) input.value = "";
      showState(tank);
      tank.open = false;
    }
    keepDraft();
    if (!tanks.some((tank) => read(tank).begun)) {
      day.value = today();
      day.dataset.chosen = draftDay = "";
    }
  };
  const count = () => {
    const said = tanks.map(read);
    const looks = said.filter((x) => x.checked).length;
    const events = said.reduce((sum, x) => sum + x.events.length, 0);
    const photos = tanks.flatMap(photosIn).length;
    const many = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;
    const words = [looks && many(looks, "tank"), events && many(events, "event"), photos && many(photos, "photo")].filter(Boolean);
    one("#count").textContent = words.length ? `${words.join(" and ")} to save` : "Nothing to save yet";
    return looks + events + photos;
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
    faults.push({ input, text: `${tank.dataset.tank}: ${what}` });
    if (input.hasAttribute("aria-invalid")) return;
    const said = document.createElement("p");
    said.className = "fault";
    said.id = `${input.id}-fault`;
    said.textContent = what;
    input.closest(".reading, .event, .pair > div").append(said);
    input.setAttribute("aria-invalid", "true");
    if (!input.dataset.described) input.dataset.described = input.getAttribute("aria-describedby") ?? "none";
    input.setAttribute("aria-describedby", said.id);
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

  const amountText = (box, tank) => {
    const text = part(box, "amount").value.trim();
    const input = part(box, "amount");
    const { means = "", usual = "", most = "", percent = "" } = part(box, "event").selectedOptions[0].dataset;
    if (!means) return "";
    if (!text) {
      if (!usual) fault(input, tank, `${means}: it is needed.`);
      return "";
    }
    const found = number(text);
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

  const rowsOf = (tank) => {
    const said = read(tank);
    const name = harmless(tank.dataset.tank);
    const rows = [];
    if (said.checked) {
      checkDate(day, tank, "look");
      const row = Object.assign(empty(), { tank: name, date: day.value, observer: harmless(oneLine(observer.value)), look: said.look, judged_phase: said.judged_phase });
      const unsure = [];
      for (const box of all("[data-sign]", tank)) {
        const answer = answerOf(box);
        if (answer === "?") unsure.push(box.dataset.label);
        else row[box.dataset.sign] = answer;
      }
      // What somebody was not sure of counts as not checked; the note keeps it.
      const doubt = unsure.length ? `not sure: ${unsure.join(", ")}` : "";
      row.note = harmless(oneLine([said.note, doubt].filter(Boolean).join("; ")));
      for (const box of all("[data-analyte]", tank)) {
        if (readingOf(box)) row[box.dataset.analyte] = readingText(box, tank, readingOf(box));
      }
      rows.push(row);
    }
    for (const box of all(".event", tank)) {
      const kind = part(box, "event");
      if (!kind.value && !part(box, "amount").value && !part(box, "note").value) continue;
      if (!kind.value) {
        fault(kind, tank, "Say which event it was, or take it out.");
        continue;
      }
      checkDate(part(box, "date"), tank, "event");
      rows.push(Object.assign(empty(), { tank: name, date: part(box, "date").value, event: kind.value, amount: amountText(box, tank), note: harmless(oneLine(part(box, "note").value)) }));
    }
    return rows;
  };

  const asText = (rows) => {
    const known = ["tank", "date", "observer", "look", "judged_phase", ...signs, ...analytes, "event", "amount", "note"];
    const columns = known.filter((c) => c === "tank" || c === "date" || rows.some((row) => row[c]));
    return [columns, ...rows.map((row) => columns.map((c) => row[c] ?? ""))]
      .map((line) => line.map(cell).join(",") + "\n").join("");
  };

  // -- photos ------------------------------------------------------------------------------
  // Redrawn smaller, which leaves behind what a device writes beside the pixels.
  const SIDE = 1600;
  const smaller = async (file) => {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, SIDE / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
    return new Uint8Array(await blob.arrayBuffer());
  };
  const photosOf = async (some) => {
    const out = [];
    for (const tank of some) {
      if (photosIn(tank).length && !read(tank).checked) checkDate(day, tank, "photo");
      for (const input of photosIn(tank)) {
        try {
          const file = `${out.length + 1}.jpg`;
          out.push({ file, tank: harmless(tank.dataset.tank), date: day.value, view: input.dataset.view, data: await smaller(input.files[0]) });
        } catch {
          fault(input, tank, "This picture cannot be read: take it again.");
        }
      }
    }
    return out;
  };

  // A zip file, nothing compressed: APPNOTE.TXT, 4.3, as far as it is needed.
  const CRC = Array.from({ length: 256 }, (_, n) => {
    for (let bit = 0; bit < 8; bit += 1) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
    return n >>> 0;
  });
  const crc = (bytes) => ~bytes.reduce((sum, byte) => CRC[(sum ^ byte) & 255] ^ (sum >>> 8), -1) >>> 0;
  const packed = (files) => {
    const parts = [];
    const index = [];
    let at = 0;
    const add = (list, ...fields) => {
      for (const [size, value] of fields) {
        const view = new DataView(new ArrayBuffer(size));
        size === 2 ? view.setUint16(0, value, true) : view.setUint32(0, value, true);
        list.push(new Uint8Array(view.buffer));
      }
    };
    for (const [name, bytes] of files) {
      const title = new TextEncoder().encode(name);
      const about = [[2, 20], [2, 0x800], [2, 0], [2, 0], [2, 0x21], [4, crc(bytes)], [4, bytes.length], [4, bytes.length], [2, title.length], [2, 0]];
      add(index, [4, 0x02014b50], [2, 20], ...about, [2, 0], [2, 0], [2, 0], [4, 0], [4, at]);
      index.push(title);
      add(parts, [4, 0x04034b50], ...about);
      parts.push(title, bytes);
      at += 30 + title.length + bytes.length;
    }
    const length = index.reduce((sum, part) => sum + part.length, 0);
    add(index, [4, 0x06054b50], [2, 0], [2, 0], [2, files.length], [2, files.length], [4, length], [4, at], [2, 0]);
    return new Blob([...parts, ...index], { type: "application/zip" });
  };

  // -- saving ------------------------------------------------------------------------------
  let before = null;
  const download = async (blob, name) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    return { words: `Saved as ${name}, where your browser keeps downloads.` };
  };
  const save = async (some, name) => {
    forget();
    one("#saved").hidden = true;
    const rows = some.flatMap(rowsOf);
    const photos = await photosOf(some);
    if (!rows.length && !photos.length && !faults.length) {
      one("#count").textContent = "Nothing is filled in yet, so there is nothing to save.";
      return;
    }
    if (faults.length) return showFaults();
    const text = asText(rows);
    // A page that is served at home hands the file to the log instead.
    const hand = window.deliver ?? download;
    let blob = new Blob([text], { type: "text/csv;charset=utf-8" });
    if (photos.length) {
      const index = ["file,tank,date,view", ...photos.map((p) => [p.file, p.tank, p.date, p.view].map(cell).join(","))].join("\n");
      const asBytes = (words) => new TextEncoder().encode(words);
      blob = packed([["checkins.csv", asBytes(text)], ["photos.csv", asBytes(index)], ...photos.map((p) => [p.file, p.data])]);
    }
    const { words, fault: why } = await hand(blob, `${name}-${day.value}.${photos.length ? "zip" : "csv"}`);
    if (!words) {
      for (const line of why.split("\n")) faults.push({ input: one("#write"), text: line });
      return showFaults();
    }
    before = { date: day.value, observer: observer.value, tanks: some.map((tank) => [tank.dataset.tank, read(tank)]) };
    one("#saved-words").textContent = `${words} The form is empty again for the next look.`;
    one("#text").value = text;
    one("#saved").hidden = false;
    clear(some);
    one("#saved").scrollIntoView({ block: "nearest" });
  };
  const showFaults = () => {
    one("#faults ul").replaceChildren(...faults.map(({ input, text }) => {
      const item = document.createElement("li");
      const link = document.createElement("a");
      link.href = `#${input.id}`;
      link.textContent = text;
      link.addEventListener("click", (press) => { press.preventDefault(); reveal(input); });
      item.append(link);
      return item;
    }));
    one("#faults").hidden = false;
    one("#faults").focus();
  };
  const reveal = (input) => {
    for (let x = input.closest("details"); x; x = x.parentElement.closest("details")) x.open = true;
    input.focus();
  };

  // -- what the keeper does ------------------------------------------------------------------
  let looked = false;
  const sameAgain = (button) => {
    const box = button.closest("[data-sign]");
    const answer = () => {
      one(`input[value="${button.dataset.value}"]`, box).checked = true;
      touched(box);
    };
    if (looked) return answer();
    ask(button, "Only if you looked again. Did you?", "Yes, I looked", () => {
      looked = true;
      answer();
    });
  };
  // A question in the place of the button that raised it.
  const ask = (button, words, yes, then) => {
    const said = document.createElement("p");
    said.className = "said";
    said.setAttribute("role", "group");
    said.append(words, " ");
    const close = () => {
      said.remove();
      button.hidden = false;
      button.focus();
    };
    for (const [label, run] of [[yes, then], ["No", () => {}]]) {
      const choice = document.createElement("button");
      choice.type = "button";
      choice.textContent = label;
      choice.addEventListener("click", () => { close(); run(); });
      said.append(choice, " ");
    }
    button.after(said);
    button.hidden = true;
    one("button", said).focus();
  };

  const touched = (target) => {
    const tank = target.closest(".card");
    // A page left open over midnight: the day is that of the first answer.
    if (target === day) day.dataset.chosen = "yes";
    else if (!draftDay && day.dataset.chosen !== "yes") day.value = today();
    if (target.matches("[data-analyte] select")) {
      const own = one("input", target.closest("[data-analyte]"));
      own.hidden = target.value !== "other";
      if (!own.hidden) own.focus();
    }
    if (target.closest("[data-analyte]")) warn(target.closest("[data-analyte]"));
    if (target.matches('[data-part="event"]')) amount(target.closest(".event"));
    if (tank) showState(tank);
    keepDraft();
  };
  const PRESSED = {
    add: (button, tank) => one("select", addEvent(tank, null)).focus(),
    remove: (button, tank) => {
      button.closest(".event").remove();
      touched(tank);
      one(".add", tank).focus();
    },
    same: sameAgain,
    undo: (button, tank) => {
      for (const radio of all("input", button.closest("[data-sign]"))) radio.checked = false;
      touched(tank);
      one("input", button.closest("[data-sign]")).focus();
    },
    next: (button, tank) => {
      tank.open = false;
      const rest = [...tanks.slice(tanks.indexOf(tank) + 1), ...tanks].find((x) => !read(x).begun);
      if (rest) rest.open = true;
      (rest ? one("summary", rest) : one("#write")).focus();
    },
    alone: (button, tank) => save([tank], `${set.file}-${tank.dataset.file}`),
  };
  form.addEventListener("input", (e) => touched(e.target));
  form.addEventListener("click", (e) => {
    const link = e.target.closest("a.guide");
    // Opened before the browser goes there; its way back leads to the tank again.
    if (link) one("#guide").open = true;
  });
  form.addEventListener("submit", (e) => e.preventDefault());
  form.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    for (const name of button?.classList ?? []) PRESSED[name]?.(button, button.closest(".card"));
  });
  one("#write").addEventListener("click", () => save(tanks, set.file));
  one("#back").addEventListener("click", () => {
    putBack(before.date, before);
    one("#saved").hidden = true;
    one("#write").focus();
  });
  one("#copy").addEventListener("click", async () => {
    one("#text").select();
    try {
      await navigator.clipboard.writeText(one("#text").value);
    } catch {
      document.execCommand("copy");
    }
  });
  addEventListener("beforeunload", (e) => {
    if (!store && count()) e.preventDefault();
  });

  // -- begin -------------------------------------------------------------------------------
  const offer = (words, choices) => {
    const said = document.createElement("p");
    said.className = "said";
    said.append(words, " ");
    for (const [label, run] of Object.entries(choices)) {
      const choice = document.createElement("button");
      choice.type = "button";
      choice.textContent = label;
      choice.addEventListener("click", () => { if (run() !== false) said.remove(); });
      said.append(choice, " ");
    }
    one("#offers").append(said);
  };
  const offerOld = (date, draft) => {
    const names = draft.tanks.map(([name]) => name).join(", ");
    offer(`Answers of ${date} were never saved (${names}).`, {
      "Put them back": () => {
        if (!count()) return putBack(date, draft);
        one("#count").textContent = "Save what is on the page first";
        return false;
      },
      "Delete them": () => keep(date, null),
    });
  };
  if (!store) one("#no-drafts").hidden = false;
  day.max = day.value = today();
  for (const tank of tanks) showState(tank);
  for (const [date, draft] of Object.entries(kept()).sort()) {
    if (!/^\d{4}-\d{2}-\d{2}$/.test(date) || !Array.isArray(draft?.tanks)) keep(date, null);
    else if (date !== today()) offerOld(date, draft);
    else {
      putBack(date, draft);
      offer("Your answers of today, not saved yet, are here again.", { "Delete them": () => clear(tanks), "Keep them": () => {} });
    }
  }
  count();
})();

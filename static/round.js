// Keeps what is noted on a round on this phone until the monitor has it, and shows one crate at a time.
// The first part runs on every page that loads it; the second needs the page Round.
(() => {
  "use strict";
  const BATCH = 50; // entries in one post; the monitor takes 200
  const PATIENCE = 15e3; // longest wait for an answer
  const FIRST = 2e3; // first pause after a failure; doubled each time
  const LONGEST = 60e3; // longest pause
  const HELD = 8e3; // so long a note can be taken back, and for longer while its crate is on the screen:
  const HELD_HERE = 120e3;
  const KEPT = 12 * 3600e3; // what is sent stays listed on the phone as long as a round may take
  const WORDS = 500; // longest remark that the monitor takes, in characters
  const SIDE = 1280; // longest side of a photo in pixels
  const POUND_G = 453.59237; // the international pound, exact (1959)
  const $ = (id) => document.getElementById(id);
  const round = $("round");
  let notes = []; // copy of what the store holds, oldest first
  let here; // the crate on the screen
  let trouble = ""; // why the last post failed: "contact" or "door"
  let since = 0; // last contact
  let paint = () => {};

  // ---- The store: `note` holds what was noted, in order; `photo` the pictures that are not yet sent.
  let opening;
  const open = () => (opening ||= new Promise((done, fail) => {
    const ask = indexedDB.open("overwinter-round", 1);
    ask.onupgradeneeded = () => {
      ask.result.createObjectStore("note", { keyPath: "n", autoIncrement: true });
      ask.result.createObjectStore("photo");
    };
    ask.onsuccess = () => {
      ask.result.onclose = ask.result.onversionchange = () => (ask.result.close(), (opening = null));
      done(ask.result);
    };
    ask.onerror = ask.onblocked = () => ((opening = null), fail(ask.error));
  }));
  // One transaction; `work` gets the two stores and must not wait for anything else.
  const change = async (work) => {
    const tx = (await open()).transaction(["note", "photo"], "readwrite", { durability: "strict" });
    const done = new Promise((yes, no) => {
      tx.oncomplete = yes;
      tx.onerror = tx.onabort = () => no(tx.error);
    });
    const out = {};
    work(tx.objectStore("note"), tx.objectStore("photo"), out);
    await done;
    return out;
  };
  const load = async () => {
    const old = (x) => /sent|left/.test(x.state) && KEPT < Date.now() - x.at;
    const out = await change((note, photo, o) => {
      note.getAll().onsuccess = (e) => {
        o.notes = e.target.result.filter((x) => !old(x) || (note.delete(x.n), photo.delete(x.n)));
      };
    });
    notes = out.notes;
    paint();
  };
  // Changes one note if `may` still says so; another tab may have been faster.
  const alter = (n, may, how) => change((note, photo) => {
    note.get(n).onsuccess = (e) => {
      const x = e.target.result;
      if (!x || !may(x)) return;
      if (how(x) === null) {
        note.delete(n);
        photo.delete(n);
      } else note.put(x);
    };
  }).then(load);

  // ---- Sending: in order, the same key every time, so that twice is once.
  const waits = (x) => x.state === "waits";
  const ripe = (x) => {
    const age = Date.now() - x.at;
    const hold = document.hidden ? 0 : x.crate === here ? HELD_HERE : HELD;
    return waits(x) && (x.tried || age < 0 || hold <= age);
  };
  // An answer that is not read to its end would hold its connection, and there are few.
  const post = async (path, type, body) => {
    const answer = await fetch(path, {
      method: "POST", headers: { "content-type": type }, body, redirect: "manual", signal: AbortSignal.timeout(PATIENCE),
    });
    return { answer, text: await answer.text() };
  };
  const OUTCOME = /^(entered|known|refused|changed|doubted)$/;
  let busy = false;
  let pause = FIRST;
  let next = 0; // not before
  let size = BATCH;
  const send = async () => {
    if (busy || !notes.some(ripe)) return;
    busy = true;
    next = Infinity;
    try {
      for (;;) {
        // What is taken here may reach the monitor: from now on it cannot be taken back.
        const { batch, picture } = await change((note, photo, o) => {
          o.batch = [];
          note.getAll().onsuccess = (e) => {
            const all = e.target.result.filter(ripe);
            const words = all.filter((x) => !x.photo).slice(0, size);
            o.batch = words.length ? words : all.slice(0, 1);
            for (const x of o.batch) {
              x.tried = true;
              note.put(x);
            }
            if (o.batch[0]?.photo) photo.get(o.batch[0].n).onsuccess = (e) => (o.picture = e.target.result);
          };
        });
        if (!batch.length) break;
        const [x] = batch;
        const { answer, text } = x.photo
          ? await post(`/api/stock/photos?key=${x.key}&crate=${encodeURIComponent(x.crate)}`, "image/jpeg", picture)
          : await post("/api/stock/entries", "application/json", JSON.stringify({ entries: batch.map((b) => b.body) }));
        if (answer.type === "opaqueredirect" || /40[13]/.test(answer.status)) throw new Error("door");
        let told = [];
        if (/400|413|415|422/.test(answer.status)) {
          // One that cannot be read must not stop the others.
          if (1 < batch.length) {
            size = 1;
            continue;
          }
          const why = /"detail":\s*"([^"\\]+)"/.exec(text)?.[1] || "The monitor could not read this.";
          told = [{ key: x.key, outcome: "refused", why }];
        } else if (!answer.ok) throw new Error("contact");
        else told = x.photo ? [{ key: x.key, outcome: "entered" }] : JSON.parse(text).entries;
        const by = new Map(told.map((t) => [t.key, t]));
        const settled = batch.filter((b) => OUTCOME.test(by.get(b.key)?.outcome));
        if (!settled.length) throw new Error("contact");
        await change((note, photo) => {
          for (const { n, key } of settled) {
            const { outcome, why, remedy, seen } = by.get(key);
            const sent = /entered|known/.test(outcome);
            note.get(n).onsuccess = (e) => {
              const now = e.target.result;
              if (!now || !waits(now)) return; // another tab was faster
              note.put({ ...now, why, remedy, seen, state: sent ? "sent" : outcome });
              if (sent) photo.delete(n);
            };
          }
        });
        await load();
        pause = FIRST;
        trouble = "";
        since = Date.now();
      }
      size = BATCH;
      next = 0;
    } catch (fault) {
      trouble = fault.message === "door" ? "door" : "contact";
      next = Date.now() + pause;
      pause = Math.min(2 * pause, LONGEST);
    }
    busy = false;
    await load().catch(() => {}); // another tab may have sent what is shown here as waiting
  };
  const at_once = async () => {
    next = 0;
    pause = FIRST;
    await load();
    send();
  };
  addEventListener("online", at_once);
  document.addEventListener("visibilitychange", at_once);
  addEventListener("pageshow", (e) => e.persisted && at_once());

  // ---- The line that says how it stands.
  const count = (n, one, many) => `${n} ${n === 1 ? one : many}`;
  const settles = (x) => /refused|changed|doubted/.test(x.state);
  const asks = () => notes.filter(settles);
  const tell = (el) => {
    const open = notes.filter(waits).length;
    let shape = "well";
    let words = "All sent";
    let href = "";
    if (open) [shape, words] = ["soon", `${open} not yet sent`];
    if (open && trouble) {
      const clock = since ? ` since ${new Date(since).toTimeString().slice(0, 5)}` : "";
      [shape, words] = ["today", `${words}, kept here: no contact${clock}`];
    }
    if (open && trouble === "door") [href, words] = ["/sign-in", `Sign in again; nothing is lost. ${open} not yet sent`];
    else if (asks().length) [href, shape, words] = ["/round#end", "now", `${count(asks().length, "needs", "need")} your word. ${words}`];
    if (!round) words = `Round: ${words}`;
    el.className = `state ${shape}`;
    el.querySelector("use").setAttribute("href", "#s-" + shape);
    const said = el.querySelector("[role=status]");
    if (said.textContent === words) return;
    const link = document.createElement("a");
    link.href = href;
    if (trouble === "door") link.target = "_blank";
    if (href) link.textContent = words;
    said.replaceChildren(href ? link : words);
  };

  const began = open().then(load);
  setInterval(() => next <= Date.now() && send(), 1e3);
  if (!round) {
    // Another page: sends what is left over and says so, above what is swapped.
    const el = document.createElement("p");
    el.id = "sent";
    el.innerHTML = '<svg class="mark" aria-hidden="true"><use/></svg><span role="status"></span>';
    paint = () => {
      if (!notes.some(waits) && !asks().length) return el.remove();
      tell(el);
      if (!el.isConnected) $("main").before(el);
    };
    began.then(at_once, () => {});
    return;
  }

  // ---- The walk.
  const crates = [...round.querySelectorAll("article")];
  const article = (code) => crates.find((a) => a.dataset.code === code);
  const one = (css, el = round) => el.querySelector(css);
  const all = (css, el = round) => [...el.querySelectorAll(css)];
  const [list, walk, how, end, more] = ["list", "walk", "how", "end", "more"].map($);
  const drafts = {}; // words that are not noted yet, by crate
  const dangling = () => Object.keys(drafts).filter((code) => drafts[code].trim());
  // Without reception the page itself cannot be had again.
  addEventListener("beforeunload", (e) => {
    if (notes.some(waits) || dangling().length) e.preventDefault();
  });
  let finding = "";
  let shown = 0;
  let last; // the newest note, which can be taken back from the next crate

  const make = (tag, words = "", attributes = {}) => {
    const el = document.createElement(tag);
    el.textContent = words;
    for (const [name, value] of Object.entries(attributes)) el.setAttribute(name, value);
    return el;
  };
  $("tally").append(...crates.map(() => make("i")));
  const of = (code) => notes.filter((x) => x.crate === code && x.state !== "left");
  const looked = (code) => of(code).some((x) => x.look);
  const can_undo = (x) => x && waits(x) && !x.tried;
  // The time of the monitor, as far as this page knows: the clock of a phone may be wrong.
  const ahead = Date.parse(document.getElementById("made")?.dateTime || "") - Date.now() || 0;
  const stamp = () => new Date(Date.now() + ahead).toISOString().slice(0, 19) + "Z";
  const random = (bytes) => [...crypto.getRandomValues(new Uint8Array(bytes))].map((b) => b.toString(16).padStart(2, "0")).join("");
  // A key begins with what names this phone, so that what it entered is no surprise to what it notes later.
  const key = () => {
    const hand = (localStorage["overwinter-hand"] ||= random(10));
    return `${hand}-${random(16)}`;
  };
  const fault = (words) => {
    $("bad").hidden = !words;
    $("bad").textContent = words;
  };

  // Stored first, shown as noted afterwards.
  const note = async (words, deed, picture) => {
    const entry = { key: key(), crate: here, words, at: Date.now(), state: "waits", look: /looked|culled/.test(deed?.kind) };
    if (picture) entry.photo = true;
    else {
      entry.body = { key: entry.key, noted_at: stamp(), seen: +article(here).dataset.seen, deed };
      const said = (drafts[here] || "").trim();
      if (said) entry.body.note = said;
    }
    try {
      const out = await change((note, photo, o) => {
        note.add(entry).onsuccess = (e) => {
          o.n = e.target.result;
          if (picture) photo.put(picture, o.n);
        };
      });
      last = out.n;
      if (!picture) draft(entry.crate, "");
      fault("");
      await load();
      return true;
    } catch {
      fault("Not noted: this phone has no room to keep it. Write it on the crate's label.");
      return false;
    }
  };
  const draft = (code, words) => {
    drafts[code] = words;
    if (code === here) $("words").value = words;
  };
  // Words without a finding of their own go with what was noted last, while that can be.
  const attach = async (code) => {
    const words = (drafts[code] || "").trim();
    const to = of(code).filter((x) => x.body && can_undo(x)).pop();
    if (!words || !to) return;
    let done = false;
    await alter(to.n, can_undo, (x) => {
      const all = [x.body.note, words].filter(Boolean).join("; ");
      if (WORDS < all.length) return; // the monitor would refuse the finding with them
      x.body.note = all;
      done = true;
    });
    if (done) draft(code, "");
  };

  paint = () => {
    tell($("sent"));
    const code = here;
    const mine = of(code);
    const item = (x, where) => {
      const li = make("li");
      const state = waits(x) ? "" : x.state === "sent" ? ", sent" : ": your word is needed";
      li.append(make("span", x.words + (x.body?.note ? `, “${x.body.note}”` : "") + state));
      if (can_undo(x)) li.append(make("button", "Undo", { type: "button", "data-do": "undo", "data-n": x.n, "aria-label": `Undo: ${x.crate}, ${x.words}` }));
      where.append(li);
    };
    // The focus stays where it was, also on a button that is made anew.
    const mark = document.activeElement?.dataset?.n;
    if (code) {
      $("noted").hidden = !mine.length;
      const ul = one("#noted ul");
      ul.replaceChildren();
      for (const x of mine) item(x, ul);
      one("[data-do=sound]").hidden = looked(code);
      one("[data-do=next]").classList.toggle("act", looked(code));
    }
    const newest = notes.find((x) => x.n === last);
    $("just").hidden = !(code && can_undo(newest) && newest.crate !== code);
    if (newest) one("#just span").textContent = `${newest.crate}: ${newest.words}`;
    for (const [i, a] of crates.entries()) {
      const done = looked(a.dataset.code);
      const link = all(".jump a")[i];
      link.classList.toggle("done", done);
      if (done !== !!one(".did", link)) done ? link.append(make("span", "noted", { class: "did" })) : one(".did", link).remove();
      $("tally").children[i].className = (done ? "done" : "") + (a.dataset.code === code ? " at" : "");
    }
    if (!end.hidden) finish(item);
    if (mark) one(`button[data-n="${mark}"]:not([hidden])`)?.focus();
  };

  const finish = (item) => {
    const open = crates.map((a) => a.dataset.code).filter((code) => !looked(code));
    const done = new Set(notes.filter((x) => x.look && x.state !== "left").map((x) => x.crate)).size;
    $("sum").textContent = `${count(done, "crate", "crates")} looked at. ${one("#sent").textContent}.`;
    const links = (where, codes) => {
      where.hidden = !codes.length;
      where.lastElementChild.replaceChildren(...codes.map((code) => make("a", code, { href: "#crate-" + encodeURIComponent(code), class: "plate" })));
    };
    links($("left"), open);
    links($("unsaid"), dangling());
    $("decide").hidden = !asks().length;
    one("#decide ul").replaceChildren(...asks().map((x) => {
      const li = make("li");
      const pair = make("p", "", { class: "pairs" });
      const about = `: ${x.crate}, ${x.words}`;
      const button = (deed, words) => {
        const b = make("button", words, { type: "button", "data-do": deed, "data-n": x.n });
        b.append(make("span", about, { class: "unseen" }));
        pair.append(b);
      };
      button("leave", "Leave it");
      button("again", x.state === "refused" ? "Try again" : "Note it all the same");
      li.append(make("b", x.crate + ": " + x.words), make("p", [x.why, x.remedy].filter(Boolean).join(" ")), pair);
      return li;
    }));
    const ul = one("#all ul");
    ul.replaceChildren();
    const kept = notes.filter((x) => /waits|sent/.test(x.state));
    $("all").hidden = !kept.length;
    for (const x of kept) item({ ...x, words: `${x.crate}: ${x.words}` }, ul);
  };

  // ---- What is on the screen follows from the address, so that "back" of the phone goes one crate back.
  const at = () => decodeURIComponent(location.hash.slice(1));
  const show = async () => {
    const was = here;
    const a = crates.find((a) => a.id === at());
    const last_page = !a && at() === "end";
    here = a?.dataset.code;
    shown = Date.now();
    fault("");
    if (was && was !== here) await attach(was);
    const i = crates.indexOf(a);
    for (const each of crates) each.hidden = each !== a;
    list.hidden = !!a || last_page;
    one("h1").classList.toggle("unseen", list.hidden);
    end.hidden = !last_page;
    walk.hidden = !a;
    if (a) {
      a.append(walk);
      close();
      more.open = false;
      $("words").value = drafts[here] || "";
      $("weight").value = "";
    }
    const [back, middle, next] = all(".steps button");
    back.hidden = !list.hidden;
    middle.hidden = !list.hidden;
    middle.textContent = a ? `${i + 1} of ${crates.length}` : "List";
    next.hidden = last_page || !crates.length;
    next.textContent = i === crates.length - 1 ? "Finish" : a ? "Next crate" : notes.some((x) => x.look) ? "Go on" : "Begin";
    next.classList.toggle("act", !list.hidden);
    paint();
    (a ? one("h2", a) : last_page ? one("h2", end) : one("h1")).focus({ preventScroll: true });
    scrollTo(0, 0);
  };
  const go = (hash) => {
    if (at() === hash) show();
    else location.hash = encodeURIComponent(hash).replaceAll("%2F", "/");
  };
  const step = (by) => {
    const i = crates.findIndex((a) => a.id === at());
    if (at() === "end") return go(by < 0 && crates.length ? crates[crates.length - 1].id : "list");
    if (i < 0) return go((crates.find((a) => !looked(a.dataset.code)) || crates[0])?.id || "end");
    go(i + by < 0 ? "list" : crates[i + by]?.id || "end");
  };

  const close = () => {
    how.hidden = true;
    $("ask").hidden = false;
    round.classList.remove("asking");
  };
  const picked = () => one("[name=lot]:checked", how);
  const ask = (button) => {
    finding = button.dataset.finding;
    const word = one("span", button).textContent;
    one("h3", how).textContent = `${word[0].toUpperCase()}${word.slice(1)} in ${here}`;
    for (const el of all("[data-for]", how)) el.hidden = el.dataset.for !== finding;
    const lots = all(".which label", article(here)).filter((el) => !how.contains(el) && one("[data-count]", el)).map((el) => el.cloneNode(true));
    one(".which div", how).replaceChildren(...lots);
    for (const el of all("[name=lot]", how)) el.checked = lots.length === 1;
    for (const el of all("[name=out]", how)) el.checked = false;
    $("many").value = 1;
    $("ask").hidden = true;
    how.hidden = false;
    round.classList.add("asking");
    one("h3", how).focus({ preventScroll: true });
    how.scrollIntoView({ block: "start" });
  };
  const many = (by) => {
    const top = +picked()?.dataset.count || 99999;
    $("many").value = Math.min(Math.max((parseInt($("many").value) || 0) + by, 1), top);
  };

  how.addEventListener("submit", async (e) => {
    e.preventDefault();
    const lot = picked();
    const out = one("[name=out]:checked", how)?.value;
    const count = /^\d+$/.test($("many").value.trim()) ? +$("many").value : 0;
    if (!lot) return fault("Choose the lot.");
    if (!count) return fault("How many? Write a whole number.");
    if (lot.dataset.count < count) return fault(`This lot holds ${lot.dataset.count}.`);
    if (!out) return fault("Say whether it was taken out or left in.");
    const culled = out === "yes";
    const deed = culled ? { kind: "culled", lot: +lot.value, finding, count }
      : { kind: "looked", crate: here, lot: +lot.value, finding, count };
    const word = one(`.finds button[data-finding=${finding}] span`).textContent;
    if (await note(`${count} ${lot.dataset.variety}, ${word}, ${culled ? "taken out" : "left in"}`, deed)) {
      close();
      one("#noted h3").focus({ preventScroll: true });
      walk.scrollIntoView({ block: "nearest" });
    }
  });
  $("weigh").addEventListener("submit", async (e) => {
    e.preventDefault();
    const [, number, own] = /^\s*(\d+(?:[.,]\d+)?)\s*(kg|lbs?)?\s*$/i.exec($("weight").value) || [];
    const unit = own ? own.toLowerCase().slice(0, 2) : round.dataset.unit;
    const grams = Math.round(+(number || "").replace(",", ".") * (unit === "kg" ? 1000 : POUND_G));
    // The same bounds as on the page of a crate: an ounce to a loaded pallet.
    if (!(30 <= grams && grams <= 1e6)) return fault("Write a weight such as 23.4, or 10.6 kg.");
    if (await note(`${number} ${unit}`, { kind: "weighed", crate: here, grams })) {
      $("weight").value = "";
      one("#noted h3").focus();
    }
  });
  // Drawn anew, so that nothing but the picture leaves the phone: neither place nor time nor device.
  $("photo").addEventListener("change", async (e) => {
    const [file] = e.target.files;
    if (!file) return;
    try {
      fault("");
      const image = await createImageBitmap(file);
      const scale = Math.min(1, SIDE / Math.max(image.width, image.height));
      const canvas = make("canvas");
      canvas.width = Math.round(image.width * scale);
      canvas.height = Math.round(image.height * scale);
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.8));
      await note(`photo, ${Math.ceil(blob.size / 1000)} kB`, null, await blob.arrayBuffer());
    } catch {
      fault("This picture cannot be read.");
    }
    e.target.value = "";
  });
  $("words").addEventListener("input", (e) => draft(here, e.target.value));

  const deeds = {
    next: () => step(1),
    back: () => step(-1),
    list: () => go("list"),
    find: ask,
    drop: () => {
      close();
      one(`[data-finding=${finding}]`, walk).focus();
    },
    less: () => many(-1),
    add: () => many(1),
    // A second knock of the same glove is not a look at the next crate.
    sound: async () => {
      if (Date.now() - shown < 700) return;
      shown = Infinity;
      if (await note("all sound", { kind: "looked", crate: here, finding: "sound" })) step(1);
      else shown = 0;
    },
    undo: async (button) => {
      const x = notes.find((x) => x.n === +(button.dataset.n || last));
      if (!x) return;
      await alter(x.n, can_undo, () => null);
      if (here !== x.crate && article(x.crate) && end.hidden) go(article(x.crate).id);
    },
    // Told of what others did and of what can hardly be, the person means it.
    again: (button) => alter(+button.dataset.n, settles, (x) => {
      if (x.body && x.state !== "refused") x.body.sure = true;
      if (x.body && x.seen) x.body.seen = x.seen;
      x.state = "waits";
    }).then(at_once),
    leave: (button) => alter(+button.dataset.n, settles, (x) => {
      x.state = "left";
    }),
  };
  round.addEventListener("click", (e) => {
    const button = e.target.closest("[data-do]");
    if (!button) return;
    fault("");
    deeds[button.dataset.do](button);
  });

  began.then(() => {
    document.body.classList.add("walking");
    document.querySelector("footer").before($("nav"));
    $("bar").hidden = false;
    addEventListener("hashchange", show);
    show();
    at_once();
  }, () => ($("plain").hidden = false));
})();

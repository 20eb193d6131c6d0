// Keeps the page fresh and says so when it cannot; without this script the page is right, only slower.
(() => {
  "use strict";
  const QUIET = 45e3; // longest silence of the event stream
  const EVERY = 60e3; // a page is never older than this while all is well
  const ALONE = 20e3; // the same while there is no event stream
  const OLD = 150e3; // a page this old is called old, whatever the stream says
  const $ = (id) => document.getElementById(id);
  const pause = $("pause");
  let contact = Date.now();
  let made = contact;
  let asked = contact;
  let pausedAt = 0;
  let lost = false;
  let busy = false;
  let held = false;
  let owed = false;
  let stream;

  // Time of day at the site, which need not be where the phone is.
  const clock = (at) => {
    const [, sign, h, m] = /([+-])(\d\d):(\d\d)$/.exec($("made").dateTime) || [0, "+", 0, 0];
    const local = new Date(at + (sign + 1) * (h * 60 + +m) * 60e3);
    const day = 20 * 3600e3 < Date.now() - at ? local.toUTCString().slice(0, 3) + " " : "";
    return day + local.toISOString().slice(11, 16);
  };

  // A refusal or a question with what was typed stays until the person has answered it.
  const asks = () => document.querySelector("#main .fault") !== null;

  const judge = () => {
    const now = Date.now();
    const late = !pausedAt && !asks() && OLD < now - made;
    const gone = lost || QUIET < now - contact || late;
    const words = gone
      ? `No contact with the monitor since ${clock(late ? made : contact)}. What you see here is old: look at the computer, and at a thermometer in the room.`
      : pausedAt
        ? `Updates paused at ${clock(pausedAt)}. What you see here is getting old.`
        : "";
    if ($("contact").textContent !== words) $("contact").textContent = words;
    document.body.classList.toggle("old", gone || (pausedAt !== 0 && OLD < now - made));
  };

  const heard = () => {
    contact = Date.now();
    lost = false;
    judge();
  };

  // How to find the same thing again in a new copy of the page.
  const finder = (el) => {
    const quoted = (text) => CSS.escape(text);
    if (!el || el === document.body) return "";
    if (el.id) return "#" + quoted(el.id);
    if (el.matches("summary")) return `#${quoted(el.parentNode.id)} > summary`;
    if (el.dataset.key) return `[data-key="${quoted(el.dataset.key)}"]`;
    if (el.matches("a[href]")) return `main a[href="${quoted(el.getAttribute("href"))}"]`;
    return "";
  };

  const swap = (text) => {
    const next = new DOMParser().parseFromString(text, "text/html");
    const sheet = (doc) => doc.querySelector("link[rel=stylesheet]")?.getAttribute("href");
    if (!next.getElementById("main")) throw new Error("not one of our pages");
    if (sheet(next) !== sheet(document)) return location.reload();
    const focus = finder(document.activeElement);
    const open = [...document.querySelectorAll("details[open][id]")].map((d) => d.id);
    // What somebody is typing or has chosen is theirs, whatever the new copy says.
    const typed = [...document.querySelectorAll("main :is(input, select, textarea)[id]")].map((el) => ({
      id: el.id,
      value: el.value,
      checked: el.checked,
      mine: el.matches("select") ? ![...el.options].every((o) => o.selected === o.defaultSelected)
        : el.type === "checkbox" ? el.checked !== el.defaultChecked : el.value !== el.defaultValue,
      caret: el === document.activeElement && el.matches("[type=text], [type=search], textarea")
        ? [el.selectionStart, el.selectionEnd] : null,
    }));
    const verdict = $("verdict")?.textContent;
    const { scrollX, scrollY } = window;
    for (const id of ["main", "nav", "made"]) {
      const old = $(id);
      const fresh = next.getElementById(id);
      for (const detail of open) fresh.querySelector("#" + CSS.escape(detail))?.setAttribute("open", "");
      if (!old.isEqualNode(fresh)) old.replaceWith(document.adoptNode(fresh));
    }
    document.title = next.title;
    for (const field of typed) {
      const el = $(field.id);
      if (!el || !field.mine) continue;
      if (el.type === "checkbox") el.checked = field.checked;
      else if (el.value !== field.value) el.value = field.value;
    }
    const target = focus && document.querySelector(focus);
    if (target && target !== document.activeElement) {
      target.focus({ preventScroll: true });
      const caret = typed.find((field) => field.caret && field.id === target.id)?.caret;
      if (caret) target.setSelectionRange(...caret);
    }
    window.scrollTo(scrollX, scrollY);
    const said = $("verdict")?.textContent;
    if (said && said !== verdict) $("spoken").textContent = said;
  };

  const refresh = async () => {
    if (busy || held) {
      owed = true;
      return;
    }
    if (pausedAt || asks()) return;
    busy = true;
    owed = false;
    asked = Date.now();
    try {
      const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(15e3) });
      if (answer.redirected || answer.status === 401 || answer.status === 403) return location.reload();
      if (!answer.ok) throw new Error(answer.status);
      const text = await answer.text();
      if (!pausedAt && !held) {
        swap(text);
        made = Date.now();
      }
      heard();
    } catch {
      if (!stream || stream.readyState !== 1) lost = true;
      judge();
    } finally {
      busy = false;
      if (owed && !held) refresh();
    }
  };

  const listen = () => {
    stream = new EventSource("/events");
    let before = false;
    const changed = () => {
      heard();
      refresh();
    };
    stream.onopen = () => {
      if (before || lost) changed();
      else heard();
      before = true;
    };
    stream.onmessage = (event) => (event.data === "changed" ? changed() : heard());
    stream.addEventListener("ping", heard);
    stream.addEventListener("changed", changed);
    // The stream may break while the monitor is well: asking for the page tells the two apart at once.
    stream.onerror = () => {
      if (pausedAt) lost = true;
      if (!lost) refresh();
      judge();
    };
  };

  // A finger that is down must find the same button when it comes up.
  addEventListener("pointerdown", () => (held = true), true);
  for (const end of ["pointerup", "pointercancel"]) {
    addEventListener(
      end,
      () => {
        setTimeout(() => {
          held = false;
          if (owed) refresh();
        }, 300);
      },
      true,
    );
  }

  pause.hidden = false;
  pause.addEventListener("click", () => {
    pausedAt = pausedAt ? 0 : Date.now();
    $("pause-word").textContent = pausedAt ? "Resume" : "Pause";
    held = false;
    refresh();
    judge();
  });

  setInterval(() => {
    judge();
    const alone = !stream || stream.readyState !== 1;
    if ((alone ? ALONE : EVERY) <= Date.now() - asked) {
      if (stream?.readyState === 2) listen();
      refresh();
    }
  }, 5e3);

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return;
    judge();
    refresh();
  });
  addEventListener("pageshow", (event) => event.persisted && refresh());
  listen();
})();

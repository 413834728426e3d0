// What the pages do beyond plain HTML. Every page works without this file.
//
// Drafts: what is typed into a form that sends something is kept in this tab until
// the server has said that it was carried out. Live regions: a list that is marked
// with data-live is asked for again from time to time. Keys: a few single keys, from
// the elements that are marked with data-key.
(() => {
  "use strict";
  const body = document.body;
  const account = body.dataset.account || "";
  const signedOut = !account;
  const make = (tag, attributes = {}, ...children) => {
    const e = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) e.setAttribute(name, value);
    e.append(...children);
    return e;
  };
  const button = (text, act) => {
    const b = make("button", { type: "button", class: "quiet" }, text);
    b.addEventListener("click", act);
    return b;
  };

  // One place says politely what happened without a press of a key.
  const status = make("p", { class: "unseen", role: "status", "aria-live": "polite" });
  body.append(status);
  const say = (text) => { status.textContent = text; };

  // ---- Drafts

  const prefix = "draft ";
  const longest = 12 * 60 * 60 * 1000;
  const store = {
    get(key) { try { return JSON.parse(sessionStorage.getItem(key)); } catch { return null; } },
    set(key, value) { try { sessionStorage.setItem(key, JSON.stringify(value)); return true; } catch { return false; } },
    remove(key) { try { sessionStorage.removeItem(key); } catch { /* there is nothing to remove */ } },
    keys() {
      try { return Object.keys(sessionStorage).filter((k) => k.startsWith(prefix)); } catch { return []; }
    },
  };

  // A form is known by what it is sent to and where it stands: the address names the
  // candidate. A form with a password or a code is never kept, nor is one that only asks.
  // Attributes are read as such: a field may be called as a property of its form is.
  const posts = (form) => (form.getAttribute("method") || "").toLowerCase() === "post";
  const target = (form) => new URL(form.getAttribute("action") || location.pathname, location.href).pathname;
  const kept = (form) => !signedOut && posts(form) && !form.closest("[data-draft=off]") &&
    form.getAttribute("role") !== "search" &&
    !form.querySelector("input[type=password], input[type=file], input[autocomplete=one-time-code]");
  // An answer that shows a form again has the address of what was sent.
  const page = () => location.pathname.split("/").slice(0, 3).join("/");
  const keyOf = (form) => prefix + [account, page(), target(form), (form.closest("[id]") || body).getAttribute("id")].join(" ");
  const controls = (form) => [...form.elements].filter((e) => e.name && /^(INPUT|SELECT|TEXTAREA)$/.test(e.tagName) &&
    !["submit", "button", "reset", "image", "file", "password"].includes(e.type));
  const ticked = (e) => e.type === "checkbox" || e.type === "radio";
  // Whether a control says something else than the page came with.
  const own = (e) => {
    if (ticked(e)) return e.checked !== e.defaultChecked;
    if (e.tagName !== "SELECT") return e.value !== e.defaultValue;
    return e.selectedIndex !== Math.max(0, [...e.options].findIndex((o) => o.defaultSelected));
  };

  const read = (form) => {
    const fields = [], hidden = {};
    for (const e of controls(form)) {
      if (e.type === "hidden") { hidden[e.name] = e.value; continue; }
      if (ticked(e)) { fields.push([e.name, e.value, e.checked]); } else { fields.push([e.name, e.value]); }
    }
    return { fields, hidden };
  };

  const save = (form, more = {}) => {
    if (!kept(form)) return true;
    const key = keyOf(form);
    if (!controls(form).some((e) => e.type !== "hidden" && own(e))) {
      if (!more.sent) store.remove(key);
      return true;
    }
    return store.set(key, { at: Date.now(), ...read(form), ...more });
  };

  // What was sent is over once the server's cookie names it.
  const acknowledged = () => {
    const found = document.cookie.split("; ").find((c) => c.startsWith("candidacy-done="));
    if (!found) return;
    const id = found.slice("candidacy-done=".length);
    document.cookie = "candidacy-done=; Path=/; Max-Age=0; SameSite=Strict";
    for (const key of store.keys()) if ((store.get(key) || {}).sent === id) store.remove(key);
  };

  const clearDrafts = (but = () => false) => { for (const key of store.keys()) if (!but(key)) store.remove(key); };

  // Boxes that stand for something that has changed since stay empty: it has to be
  // looked at again.
  const restore = (form, draft) => {
    let missing = false, changed = false;
    const now = controls(form);
    const stale = new Set();
    for (const e of now) {
      if (e.type !== "hidden" || e.name === "key" || !(e.name in draft.hidden) || draft.hidden[e.name] === e.value) continue;
      changed = true;
      stale.add(e.name);
    }
    for (const [name, value, checked] of draft.fields) {
      const same = now.filter((e) => e.name === name && e.type !== "hidden");
      const e = same.find((x) => ticked(x) && x.value === value) || same.find((x) => !ticked(x));
      if (!e) { if (checked !== false && value !== "") missing = true; continue; }
      if (ticked(e)) {
        e.checked = checked && !stale.has("evidence-" + value);
        continue;
      }
      e.value = value;
      if (e.value !== value) missing = true;
    }
    for (let d = form.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
    return { missing, changed };
  };

  const time = (at) => new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

  const putBack = () => {
    const failed = document.getElementById("errors");
    const back = [];
    for (const form of document.forms) {
      if (!kept(form)) continue;
      const key = keyOf(form), draft = store.get(key);
      if (!draft) continue;
      // The server shows what was entered beside what is wrong with it.
      const fresh = read(form);
      if (failed && draft.sent) { store.set(key, { ...draft, ...fresh, sent: "" }); continue; }
      if (JSON.stringify(fresh.fields) === JSON.stringify(draft.fields)) continue;
      const { missing, changed } = restore(form, draft);
      let text = "What you typed at " + time(draft.at) + " was put back from before. It is not recorded.";
      if (draft.sent) {
        text = "What you sent at " + time(draft.at) + " was put back, because no answer came. It may be recorded already: sent again as it is, it is recorded once.";
        // The same key with the same fields does the same thing once.
        const held = form.elements.namedItem("key");
        if (held && draft.hidden.key) {
          const other = held.value;
          held.value = draft.hidden.key;
          form.addEventListener("input", () => { held.value = other; }, { once: true });
        }
      }
      if (changed) text += " The record has changed since: look at it again before you send this.";
      if (missing) text += " Some of it no longer fits this form.";
      const note = make("p", { class: "notice kept" }, text + " ");
      note.append(button("Discard it", () => {
        store.remove(key);
        form.reset();
        form.dispatchEvent(new Event("input"));
        note.remove();
        say("Discarded.");
        (controls(form).find((e) => e.type !== "hidden") || form).focus();
      }));
      form.prepend(note);
      const place = form.closest("[id]");
      back.push([form, place ? place.id : ""]);
    }
    if (!back.length) return;
    say("What you typed before was put back.");
    const titles = back.map(([form, id]) => {
      const title = form.closest("details") && form.closest("details").querySelector("summary");
      const text = title ? title.textContent.trim() : "the form";
      return id ? make("a", { href: "#" + id }, text) : text;
    });
    const top = make("p", { class: "notice kept-top" }, "Put back from before: ");
    titles.forEach((t, i) => top.append(i ? ", " : "", t));
    document.getElementById("main").prepend(top);
  };

  const refuse = (form, text) => {
    let note = form.querySelector(".unsent");
    if (!note) {
      note = make("p", { class: "notice trouble unsent", role: "alert" });
      form.append(note);
    }
    note.textContent = text;
  };

  if (signedOut) {
    // A form that came without a sign-in was not looked at.
    if (new URLSearchParams(location.search).has("unsent")) {
      for (const key of store.keys()) store.set(key, { ...store.get(key), sent: "" });
    }
    if (location.pathname === "/sign-in" && store.keys().length) {
      document.querySelector("main form").prepend(make("p", { class: "notice" }, "What you had typed is kept in this tab. It is put back when you have signed in."));
    }
  } else {
    acknowledged();
    clearDrafts((key) => {
      const draft = store.get(key);
      return draft && key.startsWith(prefix + account + " ") && Date.now() - draft.at < longest;
    });
    putBack();
  }

  let waiting = 0;
  const changedForms = new Set();
  const flush = () => {
    clearTimeout(waiting);
    waiting = 0;
    for (const form of changedForms) save(form);
    changedForms.clear();
  };
  const typed = (event) => {
    const form = event.target.form;
    if (!form) return;
    changedForms.add(form);
    if (!waiting) waiting = setTimeout(flush, 200);
  };
  document.addEventListener("input", typed);
  document.addEventListener("change", typed);
  addEventListener("pagehide", flush);
  document.addEventListener("visibilitychange", flush);

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !(form instanceof HTMLFormElement)) return;
    flush();
    if (posts(form) && !navigator.onLine) {
      event.preventDefault();
      save(form);
      refuse(form, "There is no connection. Nothing was sent, and everything you typed is kept here. Send it again when the connection is back.");
      return;
    }
    if (target(form) === "/sign-out") { clearDrafts(); return; }
    if (!kept(form)) return;
    const id = [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
    if (save(form, { sent: id })) form.addEventListener("formdata", (e) => e.formData.set("draft", id), { once: true });
  });
  addEventListener("online", () => {
    for (const note of document.querySelectorAll(".unsent")) note.textContent = "The connection is back. Send it again now.";
  });
  addEventListener("offline", () => say("There is no connection. What you type is kept."));

  // ---- Live regions

  // A region that somebody is reading in, points at or has marked text in does not
  // move: it waits behind a button.
  const busy = (region) => region.contains(document.activeElement) || region.matches(":hover") ||
    region.querySelector("details[open]") || (() => {
      const marked = getSelection();
      return marked && !marked.isCollapsed && marked.rangeCount && region.contains(marked.getRangeAt(0).commonAncestorContainer);
    })();
  const tags = new Map(), seen = new Map();

  const liveRegion = (id) => document.getElementById(id);
  const show = (id, fresh) => {
    const region = liveRegion(id);
    const note = document.querySelector(`[data-fresh="${CSS.escape(id)}"]`);
    if (note) note.remove();
    region.replaceWith(fresh);
    if (window.htmx) window.htmx.process(fresh);
    say(fresh.dataset.says || "The list was refreshed.");
  };
  const offer = (id, fresh) => {
    const region = liveRegion(id);
    let note = document.querySelector(`[data-fresh="${CSS.escape(id)}"]`);
    if (!note) {
      note = make("p", { class: "notice fresh", "data-fresh": id, role: "status" }, "This list has changed. ");
      note.append(button("Show the changes", () => {
        show(id, note.fresh);
        const next = liveRegion(id);
        next.tabIndex = -1;
        next.focus();
      }));
      region.before(note);
    }
    note.fresh = fresh;
  };

  const refresh = async (id) => {
    const region = liveRegion(id);
    if (!region || document.hidden || !navigator.onLine) return;
    const address = region.dataset.live || location.pathname + location.search;
    const headers = { "HX-Request": "true", "Candidacy-Poll": "1" };
    if (tags.has(id)) headers["If-None-Match"] = tags.get(id);
    let answer;
    try {
      answer = await fetch(address, { headers, credentials: "same-origin", redirect: "error", cache: "no-store" });
    } catch { return; } // the next one may get through
    if (answer.status === 401) {
      clearInterval(timer);
      const note = make("p", { class: "notice trouble", role: "status" }, "You are signed out, and this list stands still. What you typed is kept. ");
      note.append(make("a", { href: answer.headers.get("Location") || "/sign-in" }, "Sign in"));
      document.getElementById("main").prepend(note);
      return;
    }
    if (answer.status !== 200) return;
    tags.set(id, answer.headers.get("ETag") || "");
    const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = whole.getElementById(id), now = liveRegion(id);
    if (!fresh || !now || fresh.innerHTML === seen.get(id)) return;
    seen.set(id, fresh.innerHTML);
    const node = document.importNode(fresh, true);
    if (busy(now)) offer(id, node); else show(id, node);
  };
  let timer = 0;
  const regions = [...document.querySelectorAll("[data-live]")];
  if (regions.length) {
    for (const region of regions) seen.set(region.id, region.innerHTML);
    const seconds = 20;
    const all = () => document.querySelectorAll("[data-live]").forEach((r) => refresh(r.id));
    timer = setInterval(all, seconds * 1000);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) all(); });
    document.addEventListener("candidacy:refresh", all);
  }

  // ---- Keys

  const off = "candidacy-keys";
  const keysOn = () => { try { return localStorage.getItem(off) !== "off"; } catch { return true; } };
  const keyed = () => [...document.querySelectorAll("[data-key]")].filter((e) => e.getClientRects().length || e.matches("a"));
  const rows = () => [...document.querySelectorAll("[data-rows] [data-row]")];
  const step = (by) => {
    const list = rows();
    if (!list.length) return;
    const at = list.findIndex((e) => e === document.activeElement);
    const next = list[Math.min(Math.max(at < 0 ? (by > 0 ? 0 : list.length - 1) : at + by, 0), list.length - 1)];
    next.focus();
    next.scrollIntoView({ block: "nearest" });
  };
  let help;
  const showHelp = () => {
    if (!help) {
      const list = make("dl", { class: "keys" });
      const line = (key, text) => list.append(make("div", {}, make("dt", {}, make("kbd", {}, key)), make("dd", {}, text)));
      line("?", "This list");
      const told = new Set();
      for (const e of keyed()) {
        if (told.has(e.dataset.key)) continue;
        told.add(e.dataset.key);
        line(e.dataset.key, e.dataset.keyTitle || e.getAttribute("aria-label") || e.textContent.trim());
      }
      if (rows().length) { line("j", "Next line of the list"); line("k", "Line before"); }
      const box = make("input", { type: "checkbox", id: "keys-on" });
      box.checked = keysOn();
      box.addEventListener("change", () => {
        try { localStorage.setItem(off, box.checked ? "on" : "off"); } catch { /* it holds for this page alone */ }
        say(box.checked ? "Single keys are on." : "Single keys are off.");
      });
      const close = button("Close", () => help.close());
      help = make("dialog", { class: "help", "aria-labelledby": "help-title" }, make("h2", { id: "help-title" }, "Keys"), list,
        make("label", { class: "choice", for: "keys-on" }, box, "Use single keys on this computer"), close);
      body.append(help);
    }
    if (!help.open) help.showModal();
  };
  if (!signedOut) {
    const foot = document.querySelector(".foot");
    if (foot) foot.append(button("Keys", showHelp));
    document.addEventListener("keydown", (event) => {
      if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey || event.isComposing || !keysOn()) return;
      if (document.querySelector("dialog[open]")) return;
      // A field of a dialog that has just closed holds the focus until the next frame.
      const field = event.target instanceof Element && event.target.closest("input, select, textarea, [contenteditable], [role=textbox]");
      if (field && field.getClientRects().length) return;
      if (event.key === "?") { event.preventDefault(); showHelp(); return; }
      if (event.key === "j" || event.key === "k") { if (rows().length) { event.preventDefault(); step(event.key === "j" ? 1 : -1); } return; }
      const target = document.querySelector(`[data-key="${CSS.escape(event.key)}"]`);
      if (!target) return;
      event.preventDefault();
      if (target.matches("input, select, textarea")) { target.focus(); if (target.select) target.select(); } else { target.click(); }
    });
  }

  // ---- htmx

  // An answer that is no part of the page says so; nothing of the page is lost.
  document.addEventListener("htmx:responseError", (event) => {
    const code = event.detail.xhr.status;
    if (code === 401) say("You are signed out. What you typed is kept. Sign in again in this tab.");
    else say("That did not work. Nothing was lost; try again.");
  });
  document.addEventListener("htmx:sendError", () => say("There is no connection. Nothing was lost; try again."));
})();

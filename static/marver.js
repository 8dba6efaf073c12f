// Only makes pages quicker; every page and form works without it.
"use strict";
(() => {
  const charts = () => {
    if (!window.vegaEmbed) return;
    const themes = fetch(document.documentElement.dataset.charts).then((r) => r.json());
    document.querySelectorAll("figure.chart").forEach(async (figure) => {
      const source = figure.querySelector("script[type='application/json']");
      const drawn = figure.querySelector(".drawn");
      const config = (await themes)[document.documentElement.dataset.theme];
      const live = document.createElement("div");
      live.className = "live";
      live.setAttribute("role", "img");
      live.setAttribute("aria-label", drawn.getAttribute("aria-label"));
      figure.append(live);
      try {
        const spec = JSON.parse(source.textContent);
        await window.vegaEmbed(live, spec, {
          config, ast: true, renderer: "svg", defaultStyle: false, tooltip: { disableDefaultStyle: true }, actions: false,
        });
        drawn.hidden = true;
      } catch (error) {
        live.remove(); // the drawn picture stays
        console.error(error);
      }
    });
  };

  // A code reader is a keyboard that ends with Enter: what is read outside any field goes to the code field.
  let fast = "";
  let last = 0;
  const inField = (node) => node.closest && node.closest("input, textarea, select, [contenteditable]");
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const code = document.getElementById("code");
    if (!code || inField(event.target)) return;
    const now = event.timeStamp;
    if (now - last > 120) fast = "";
    last = now;
    if (event.key === "Enter" && fast.length >= 3) {
      event.preventDefault();
      code.value = fast;
      fast = "";
      code.form.requestSubmit();
    } else if (event.key === "/" && fast === "") {
      event.preventDefault();
      code.focus();
    } else if (event.key.length === 1 && event.key !== " ") {
      fast += event.key;
      const key = document.querySelector(`button[data-key="${CSS.escape(event.key)}"]`);
      if (key) {
        const alone = fast;
        // A letter alone is an outcome key; a letter followed at once by another is a code being read.
        setTimeout(() => { if (fast === alone && alone.length === 1) key.click(); }, 150);
      }
    }
  });

  // A second press of Save while the first is on its way does nothing; the key of the form guards the rest.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.classList.contains("saves")) return;
    if (form.dataset.sent) { event.preventDefault(); return; }
    form.dataset.sent = "yes";
    const button = event.submitter;
    if (button) setTimeout(() => button.setAttribute("aria-busy", "true"), 0);
  });
  window.addEventListener("pageshow", () => {
    document.querySelectorAll("form.saves").forEach((form) => {
      delete form.dataset.sent;
      form.querySelectorAll("[aria-busy]").forEach((button) => button.removeAttribute("aria-busy"));
    });
  });

  // What stands on a form survives a reload, a crash or a cut network: kept in this tab until it is saved.
  const drafts = () => {
    const entry = performance.getEntriesByType("navigation")[0];
    const again = Boolean(entry) && (entry.type === "reload" || entry.type === "back_forward");
    document.querySelectorAll("form.saves").forEach((form) => {
      const place = `draft ${form.getAttribute("action")} ${location.search}`;
      const all = [...form.elements].filter((e) => e.name && e.type !== "file" && e.type !== "password" && e.tagName !== "BUTTON");
      const typed = all.filter((e) => e.type !== "hidden");
      const about = all.filter((e) => e.type === "hidden" && !e.name.startsWith("_")).map((e) => `${e.name}=${e.value}`).join("&");
      const ticks = (e) => e.type === "checkbox" || e.type === "radio";
      const names = typed.map((e) => (ticks(e) ? `${e.name}=${e.value}` : e.name));
      const keep = (sent) => sessionStorage.setItem(place, JSON.stringify({
        about, sent, key: form.elements._key.value, at: Date.now(),
        values: Object.fromEntries(typed.map((e, i) => [names[i], ticks(e) ? e.checked : e.value])),
      }));
      const draft = JSON.parse(sessionStorage.getItem(place) || "null");
      if (draft && draft.about === about && !document.getElementById("errors") && (again || !draft.sent)) {
        let changed = false;
        typed.forEach((e, i) => {
          const value = draft.values[names[i]];
          if (value === undefined || value === (ticks(e) ? e.checked : e.value)) return;
          changed = true;
          if (ticks(e)) e.checked = value; else e.value = value;
        });
        if (draft.sent) form.elements._key.value = draft.key; // sent before: the same key is saved once
        if (changed) tell(form, place, draft.at);
      } else if (draft) sessionStorage.removeItem(place);
      form.addEventListener("input", () => keep(false));
      form.addEventListener("submit", () => keep(true));
    });
  };
  const tell = (form, place, at) => {
    const note = document.createElement("div");
    note.className = "note restored";
    note.setAttribute("role", "status");
    const words = document.createElement("p");
    const clock = new Date(at).toTimeString().slice(0, 5);
    words.textContent = `What stood here at ${clock} was put back. It is not saved yet. `;
    const afresh = document.createElement("button");
    afresh.type = "button";
    afresh.className = "plain";
    afresh.textContent = "Start afresh";
    afresh.addEventListener("click", () => { sessionStorage.removeItem(place); location.assign(location.href); });
    words.append(afresh);
    note.append(words);
    form.prepend(note);
  };

  const grid = (node) => node.closest && node.closest("table.grid");
  const cells = (row) => [...row.querySelectorAll("input:not([type=hidden]), select")];
  const rows = (table) => [...table.querySelectorAll("tbody tr")].filter((row) => cells(row).length && !row.matches(".message"));
  // Batch grid: Enter goes down, Ctrl D fills down, arrows up and down move between rows.
  document.addEventListener("keydown", (event) => {
    const table = grid(event.target);
    if (!table || !event.target.matches("input, select")) return;
    const all = rows(table);
    const at = all.indexOf(event.target.closest("tr"));
    const place = cells(all[at]).indexOf(event.target);
    const go = (row) => { const to = row && cells(row)[place]; if (to) { to.focus(); if (to.select) to.select(); } };
    if (event.key === "Enter") { event.preventDefault(); go(all[at + (event.shiftKey ? -1 : 1)]); }
    else if (event.target.matches("input") && (event.key === "ArrowDown" || event.key === "ArrowUp")) {
      event.preventDefault(); go(all[at + (event.key === "ArrowDown" ? 1 : -1)]);
    } else if (event.ctrlKey && event.key.toLowerCase() === "d") {
      event.preventDefault();
      // Only rows that name what they are about: a figure in a row of nothing would have to be mended.
      all.slice(at + 1).filter((row) => place === 0 || cells(row)[0].value)
        .forEach((row) => { const to = cells(row)[place]; if (to) to.value = event.target.value; });
    }
  });
  document.addEventListener("paste", (event) => {
    const table = grid(event.target);
    const text = event.clipboardData && event.clipboardData.getData("text/plain");
    if (!table || !text || !/[\t\n]/.test(text.trim())) return;
    event.preventDefault();
    const all = rows(table);
    const at = all.indexOf(event.target.closest("tr"));
    const place = cells(all[at]).indexOf(event.target);
    const lines = text.replace(/\r/g, "").replace(/\n$/, "").split("\n");
    lines.forEach((line, down) => {
      const row = all[at + down];
      if (!row) return;
      line.split("\t").forEach((value, right) => {
        const to = cells(row)[place + right];
        if (to && to.tagName === "INPUT" && to.type !== "checkbox") to.value = value;
        else if (to && to.tagName === "SELECT") {
          const option = [...to.options].find((o) => o.text.toLowerCase() === value.trim().toLowerCase());
          if (option) to.value = option.value;
        }
      });
    });
    tooMany(table, lines.length - (all.length - at));
  });
  function tooMany(table, left) {
    let said = table.parentElement.querySelector("[data-too-many]");
    if (!said) {
      said = document.createElement("p");
      said.dataset.tooMany = "";
      said.className = "due";
      said.setAttribute("role", "status");
      table.after(said);
    }
    said.textContent = left > 0 ? `${left} lines did not fit: ask for more rows and paste them again.` : "";
  }

  document.addEventListener("DOMContentLoaded", () => {
    drafts();
    charts();
    const errors = document.getElementById("errors");
    if (errors) errors.focus();
  });
})();

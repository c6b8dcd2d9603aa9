// Keeps an open page current: on a change, and every 30 s, the page is fetched anew and its <main>
// replaced. Without this script the page refreshes by <noscript> and works the same.
"use strict";
(() => {
  const EVERY_MS = 30000; // ages go on counting
  const GAP_MS = 1000; // many changes at once are one refresh
  const STALE_MS = 90000; // from here on the page says that it is old
  const main = () => document.getElementById("main");
  const announce = document.getElementById("announce");
  const stale = document.getElementById("stale");
  let refreshed = Date.now();
  let due = null;
  let busy = false;
  let again = false;

  const concerns = (root) =>
    new Map([...root.querySelectorAll("[data-concern]")].map((e) => [e.dataset.concern, e.dataset.announce]));

  function saysOld() {
    const old = Date.now() - refreshed > STALE_MS;
    stale.hidden = !old;
    const text = old
      ? `Connection lost: this page is not being updated. ${document.querySelector(".as-of").textContent}. Look at the record itself.`
      : "";
    if (stale.textContent !== text) stale.textContent = text;
  }

  function swap(next) {
    const now = main();
    const focused = document.activeElement;
    const focus = now.contains(focused) && focused.id ? focused.id : null;
    const held = [...now.querySelectorAll(".scroll")].map((e) => [e.id, e.scrollLeft, e.scrollTop]);
    const at = [window.scrollX, window.scrollY];
    const before = concerns(now);
    const fresh = [...concerns(next)].filter(([key]) => !before.has(key)).map(([, text]) => text);
    now.replaceWith(document.adoptNode(next));
    for (const [id, left, top] of held) {
      const e = id && document.getElementById(id);
      if (e) [e.scrollLeft, e.scrollTop] = [left, top];
    }
    if (focus) document.getElementById(focus)?.focus({ preventScroll: true });
    window.scrollTo(at[0], at[1]);
    if (fresh.length > 0) announce.textContent = `New concern. ${fresh.join(". ")}.`;
  }

  async function refresh() {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      const answer = await fetch(location.origin + location.pathname + location.search, { cache: "no-store", signal: AbortSignal.timeout(20000) });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const next = page.getElementById("main");
      if (next) {
        document.title = page.title;
        swap(next);
        if (answer.ok || answer.status === 404) refreshed = Date.now();
      }
    } catch {
      // The page says by itself that it is old; the next round tries again.
    } finally {
      busy = false;
      saysOld();
      if (again) {
        again = false;
        soon();
      }
    }
  }

  function soon() {
    due ??= setTimeout(() => {
      due = null;
      refresh();
    }, GAP_MS);
  }

  let lost = false;
  const live = new EventSource("/events");
  live.addEventListener("change", (event) => {
    const patient = main().dataset.patient;
    if (patient === undefined || patient === JSON.parse(event.data).patient) soon();
  });
  live.addEventListener("lagged", soon);
  live.addEventListener("error", () => {
    lost = true;
  });
  live.addEventListener("open", () => {
    if (lost) soon();
    lost = false;
  });
  setInterval(refresh, EVERY_MS);
  setInterval(saysOld, 5000);
  document.addEventListener("visibilitychange", () => document.hidden || soon());
})();

// The screen lock: covers the page in its place, so that what was typed is still there after the PIN. The server
// refuses every request of a locked login by itself; without this file, Lock leads to a page that asks for the PIN.
"use strict";
(() => {
  const { lock, unlock, lockMinutes, whenLocked } = document.body.dataset;
  const limit = Number(lockMinutes) * 60_000;
  const token = () => JSON.parse(document.body.getAttribute("hx-headers"))["X-CSRFToken"];
  const send = (place, method, body) =>
    fetch(place, {
      method, body, redirect: "manual", cache: "no-store",
      headers: { "X-Requested-By": "lock.js", "X-CSRFToken": token() },
    });
  const cover = document.createElement("dialog");
  cover.className = "cover";
  cover.setAttribute("aria-labelledby", "cover-title");
  let isLocked = false;
  let used = Date.now();
  let told = Date.now();
  // Tabs of one browser share a login: where somebody works in one, no other locks it; what locks one covers all.
  const tabs = new BroadcastChannel("bittern");
  tabs.onmessage = ({ data }) => {
    if (data === "used") used = Date.now();
    else if (data === "locked" && whenLocked === "leave") location.replace("/");
    else if (isLocked || data === "locked") answer(send(lock, "GET"));
  };

  const say = (sentence) => {
    cover.innerHTML = '<h1 id="cover-title">The screen is locked</h1><p></p>';
    cover.querySelector("p").textContent = sentence;
  };

  // What stands on the page goes out of sight by itself, so that no key that closes a dialog brings it back.
  const hide = () => {
    isLocked = true;
    document.body.classList.add("covered");
    if (!cover.isConnected) document.body.append(cover);
    if (!cover.open) cover.showModal();
  };

  const show = () => {
    isLocked = false;
    used = Date.now();
    document.body.classList.remove("covered");
    cover.close();
    cover.replaceChildren();
  };

  const ask = (box) => {
    say("What you typed is still here.");
    const form = document.createElement("form");
    form.noValidate = true;
    form.innerHTML = box;
    const press = document.createElement("button");
    press.textContent = "Unlock";
    form.append(press);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      press.disabled = true;
      answer(send(unlock, "POST", new URLSearchParams(new FormData(form))));
    });
    cover.append(form);
    form.querySelector("input").focus();
  };

  const end = () => {
    say("The login has ended. What you typed is still here: log in beside it, then come back.");
    const link = Object.assign(document.createElement("a"), { href: "/login", target: "_blank", textContent: "Log in" });
    cover.append(link);
    link.focus();
    addEventListener("focus", () => { if (isLocked) answer(send(lock, "GET")); }, { once: true });
  };

  const answer = async (asked) => {
    try {
      const reply = await asked;
      if (reply.status === 204) {
        if (isLocked) { show(); tabs.postMessage("unlocked"); }
      } else if (reply.status === 200) {
        hide();
        ask(await reply.text());
      } else if (isLocked) end();
      // Else the login has ended while somebody types: what is sent next is kept until there is another.
    } catch {
      say("The house does not answer just now. The page stays covered.");
      setTimeout(() => answer(send(lock, "GET")), 5000);
    }
  };

  const lockNow = () => {
    say("Locking.");
    hide();
    const asked = send(lock, "POST");
    asked.then(() => tabs.postMessage("locked"), () => {});
    // A page that shows bittings is left altogether: nothing of it stays behind the cover.
    if (whenLocked === "leave") asked.finally(() => location.replace("/"));
    else answer(asked);
  };

  cover.addEventListener("cancel", (event) => event.preventDefault());
  cover.addEventListener("close", () => { if (isLocked) cover.showModal(); });
  document.getElementById("lock-now")?.addEventListener("submit", (event) => { event.preventDefault(); lockNow(); });
  document.body.addEventListener("bittern:locked", () => answer(send(lock, "GET")));
  for (const kind of ["keydown", "pointerdown", "scroll"]) {
    document.addEventListener(kind, () => {
      if (Date.now() - used > 1000) tabs.postMessage("used");
      used = Date.now();
    }, { capture: true, passive: true });
  }
  setInterval(() => {
    if (isLocked || !limit) return;
    const now = Date.now();
    if (now - used >= limit) lockNow();
    else if (used > told && now - told > 60_000) { told = now; answer(send(lock, "GET")); }
  }, 5000);
})();

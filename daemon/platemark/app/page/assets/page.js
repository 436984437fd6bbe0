// Keeps the first view current, and looks again while an answer is on its way. Everything works
// without it. Words are only ever set as text.
"use strict";

const EVERY_MS = 2000;
const main = document.querySelector("main");

function fill(node, item) {
  for (const place of node.querySelectorAll("[data-field]")) {
    const text = item[place.dataset.field] || "";
    if (place.textContent !== text) place.textContent = text;
  }
  const link = node.querySelector("a");
  if (link.getAttribute("href") !== item.href) link.setAttribute("href", item.href);
  const use = node.querySelector("use");
  if (use && item.state) use.setAttribute("href", "#shape-" + item.state);
  const bar = node.querySelector("progress");
  if (!bar) return;
  bar.hidden = item.done === null || item.done === undefined;
  if (!bar.hidden) bar.value = item.done;
  bar.setAttribute("aria-label", item.name);
}

// What is still there keeps its place, so that nobody's focus is lost.
function show(list, items) {
  const model = document.getElementById("row-" + list.dataset.list);
  const old = new Map([...list.children].map((node) => [node.dataset.key, node]));
  let after = null;
  for (const item of items) {
    let node = old.get(item.href);
    old.delete(item.href);
    if (!node) {
      node = model.content.firstElementChild.cloneNode(true);
      node.dataset.key = item.href;
    }
    fill(node, item);
    const right = after ? after.nextElementSibling : list.firstElementChild;
    if (right !== node) list.insertBefore(node, right);
    after = node;
  }
  for (const node of old.values()) node.remove();
  const none = document.getElementById("none-" + list.dataset.list);
  if (none) none.hidden = items.length > 0;
}

function say(id, text) {
  const place = document.getElementById(id);
  if (place && place.textContent !== text) place.textContent = text;
}

// Nothing is written anew that is still true: it would be read aloud again.
function warn(troubles) {
  const place = document.getElementById("troubles");
  const shown = [...place.children].map((node) => node.textContent);
  if (JSON.stringify(shown) === JSON.stringify(troubles)) return;
  place.replaceChildren(...troubles.map((text) => {
    const node = document.createElement("p");
    node.className = "notice";
    node.textContent = text;
    return node;
  }));
}

async function look() {
  if (!document.hidden) {
    try {
      const answer = await fetch("/now.json", { headers: { accept: "application/json" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const now = await answer.json();
      for (const list of document.querySelectorAll("[data-list]")) show(list, now.lists[list.dataset.list]);
      for (const [name, text] of Object.entries(now.counts)) say("count-" + name, text);
      say("said", now.said);
      say("service", now.service);
      warn(now.troubles);
      say("lost", "");
    } catch {
      const said = document.getElementById("said").textContent.replace("As of ", "");
      say("lost", "This page has had no answer since " + said + ". It tries again by itself.");
    }
  }
  setTimeout(look, EVERY_MS);
}

if (main.dataset.keep === "now") setTimeout(look, EVERY_MS);
if (main.dataset.keep === "outcome") {
  const tries = Number(sessionStorage.getItem(location.pathname) || 0);
  sessionStorage.setItem(location.pathname, String(tries + 1));
  if (tries < 20) setTimeout(() => location.reload(), EVERY_MS);
}

// Lists every operation of the OpenAPI document by its tag. Whatever comes from the document is set as text, never as
// markup.

import { callForm } from "/docs/calls.js";
import { element, resolve, schemaView } from "/docs/schemas.js";

const METHODS = ["get", "post", "put", "patch", "delete"];

const keyInput = document.getElementById("key");
const findInput = document.getElementById("find");
const list = document.getElementById("operations");

try {
  const response = await fetch("/v1/openapi.json", { credentials: "omit" });
  if (!response.ok) throw new Error(`the service answered ${response.status}`);
  draw(await response.json());
} catch (error) {
  list.replaceChildren(element("p", { class: "failed" }, `The document could not be read: ${error.message}`));
}

function draw(contract) {
  document.getElementById("title").textContent = `${contract.info.title} ${contract.info.version}`;
  document.getElementById("about").textContent = contract.info.description;
  const sections = contract.tags.map((tag) => section(tag, contract));
  list.replaceChildren(...sections);
  document
    .getElementById("tags")
    .replaceChildren(...contract.tags.map((tag) => element("a", { href: `#tag-${tag.name}` }, tag.name)));
  findInput.addEventListener("input", () => filter(findInput.value.trim().toLowerCase()));
  openNamed();
  window.addEventListener("hashchange", openNamed);
}

function section(tag, contract) {
  const box = element("section", { id: `tag-${tag.name}` }, element("h2", {}, tag.name), element("p", {}, tag.description));
  for (const [path, methods] of Object.entries(contract.paths)) {
    for (const method of METHODS) {
      if (methods[method]?.tags.includes(tag.name)) box.append(operationView(path, method, methods[method], contract));
    }
  }
  return box;
}

function operationView(path, method, operation, contract) {
  const right = operation["x-right"] ? `right: ${operation["x-right"]}` : "public";
  const details = element(
    "details",
    { class: "operation", id: operation.operationId },
    element(
      "summary",
      {},
      element("span", { class: "method" }, method.toUpperCase()),
      element("span", { class: "path" }, path),
      element("span", { class: "summary-text" }, operation.summary),
      element("span", { class: "right" }, right),
    ),
  );
  details.dataset.words = [path, method, operation.operationId, operation.summary, right].join(" ").toLowerCase();
  details.addEventListener("toggle", () => {
    if (details.open && details.children.length === 1) details.append(inside(path, method, operation, contract));
  });
  return details;
}

function inside(path, method, operation, contract) {
  const box = element("div", { class: "inside" }, element("p", {}, operation.description));
  box.append(callForm(path, method.toUpperCase(), operation, contract, () => keyInput.value.trim()));
  if (operation.requestBody) {
    const content = Object.values(resolve(operation.requestBody, contract).content)[0];
    box.append(element("h4", {}, "The body"), schemaView(content.schema ?? {}, contract));
  }
  box.append(element("h4", {}, "Answers"));
  for (const [status, described] of Object.entries(operation.responses)) {
    box.append(answerView(status, resolve(described, contract), contract));
  }
  return box;
}

function answerView(status, described, contract) {
  const view = element("details", { class: "schema" }, element("summary", {}, `${status} ${described.description}`));
  for (const [type, content] of Object.entries(described.content ?? {})) {
    view.append(element("p", { class: "type" }, type), schemaView(content.schema ?? {}, contract));
    const example = Object.values(content.examples ?? {})[0]?.value;
    if (example !== undefined) view.append(element("pre", {}, JSON.stringify(example, null, 2)));
  }
  return view;
}

function filter(words) {
  for (const details of list.querySelectorAll("details.operation")) details.hidden = !details.dataset.words.includes(words);
}

function openNamed() {
  const named = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (named instanceof HTMLDetailsElement) named.open = true;
}

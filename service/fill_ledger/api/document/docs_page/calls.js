// Builds the form of one operation, sends what is entered, and shows what came back as it came.

import { element, resolve, typeText } from "/docs/schemas.js";

export function callForm(path, method, operation, contract, readKey) {
  const inputs = (operation.parameters ?? []).map((parameter) => parameterInput(resolve(parameter, contract)));
  const body = operation.requestBody ? bodyInput(resolve(operation.requestBody, contract)) : null;
  const button = element("button", { type: "submit" }, "Send");
  const answer = element("div", { "aria-live": "polite" });
  const form = element("form");
  if (inputs.length) form.append(element("h4", {}, "Parameters"), fields(inputs));
  if (body) form.append(element("h4", {}, "Body"), element("p", {}, body.description), body.choice, body.area);
  form.append(element("p", {}, button), answer);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    answer.replaceChildren("Waiting.");
    try {
      answer.replaceChildren(...(await send(path, method, inputs, body, readKey())));
    } catch (error) {
      answer.replaceChildren(element("p", { class: "failed" }, `No answer: ${error.message}`));
    } finally {
      button.disabled = false;
    }
  });
  return form;
}

function parameterInput(parameter) {
  const input = element("input", {
    type: "text",
    "aria-label": parameter.name,
    autocomplete: "off",
    placeholder: parameter.example ?? parameter.schema?.default ?? "",
  });
  return { parameter, input };
}

function fields(inputs) {
  const list = element("dl", { class: "fields" });
  for (const { parameter, input } of inputs) {
    list.append(
      element("dt", { class: parameter.required ? "required" : "" }, parameter.name),
      element(
        "dd",
        {},
        input,
        element("div", { class: "type" }, `in ${parameter.in}: ${typeText(parameter.schema ?? {})}`),
        element("div", {}, parameter.description ?? ""),
        parameter.schema?.type === "array" ? element("div", { class: "type" }, "several: with commas between") : null,
      ),
    );
  }
  return list;
}

function bodyInput(described) {
  const types = Object.keys(described.content);
  const choice = element("select", { "aria-label": "Media type" }, ...types.map((type) => element("option", {}, type)));
  const area = element("textarea", { "aria-label": "Body", spellcheck: "false" });
  const fill = () => {
    const content = described.content[choice.value];
    const example = Object.values(content.examples ?? {})[0]?.value ?? content.example ?? "";
    area.value = typeof example === "string" ? example : JSON.stringify(example, null, 2);
  };
  choice.addEventListener("change", fill);
  fill();
  return { choice, area, description: described.description ?? "" };
}

async function send(path, method, inputs, body, key) {
  const headers = new Headers();
  const query = new URLSearchParams();
  let address = path;
  for (const { parameter, input } of inputs) {
    if (parameter.in === "path") address = address.replace(`{${parameter.name}}`, encodeURIComponent(input.value));
    else if (input.value === "") continue;
    else if (parameter.in === "header") headers.set(parameter.name, input.value);
    else if (parameter.schema?.type === "array") input.value.split(",").forEach((item) => query.append(parameter.name, item));
    else query.append(parameter.name, input.value);
  }
  if (key) headers.set("Authorization", `Bearer ${key}`);
  if (body) headers.set("Content-Type", body.choice.value);
  if ([...query].length) address += `?${query}`;
  const started = performance.now();
  const response = await fetch(address, {
    method,
    headers,
    body: body ? body.area.value : undefined,
    credentials: "omit",
    redirect: "manual",
    referrerPolicy: "no-referrer",
  });
  const text = await response.text();
  return show(method, address, response, text, performance.now() - started);
}

function show(method, address, response, text, milliseconds) {
  const status = `${response.status} ${response.statusText} in ${milliseconds.toFixed(0)} ms`;
  const headers = [...response.headers].map(([name, value]) => `${name}: ${value}`).join("\n");
  return [
    element("p", { class: "path" }, `${method} ${address}`),
    element("p", { class: response.ok ? "" : "failed" }, status),
    element("details", {}, element("summary", {}, "Headers"), element("pre", {}, headers)),
    element("pre", { tabindex: "0" }, pretty(text, response.headers.get("content-type") ?? "")),
  ];
}

function pretty(text, type) {
  if (!type.includes("json")) return text;
  try {
    return JSON.stringify(JSON.parse(text), null, 2);
  } catch {
    return text;
  }
}

// Shows JSON Schemas as nested lists of fields. References are followed only when a reader opens them, so that schemas
// which contain themselves cost nothing.

export function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "class") made.className = value;
    else if (value !== undefined && value !== null) made.setAttribute(name, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

export function resolve(part, contract) {
  let found = part;
  while (found && found.$ref) {
    found = found.$ref
      .slice(2)
      .split("/")
      .reduce((place, name) => place[name.replaceAll("~1", "/").replaceAll("~0", "~")], contract);
  }
  return found ?? {};
}

function nameOf(schema) {
  return schema.$ref ? schema.$ref.split("/").pop() : undefined;
}

// One line: what a value must look like.
export function typeText(schema) {
  if (schema.$ref) return nameOf(schema);
  if (schema.anyOf) return schema.anyOf.map(typeText).join(" or ");
  if (schema.enum) return `one of ${schema.enum.join(", ")}`;
  if (schema.const !== undefined) return `always ${schema.const}`;
  if (schema.type === "array") return `array of ${typeText(schema.items ?? {})}${bounds(schema)}`;
  return `${schema.type ?? "any value"}${schema.format ? ` (${schema.format})` : ""}${bounds(schema)}`;
}

function bounds(schema) {
  const words = [];
  if (schema.minimum !== undefined) words.push(`from ${schema.minimum}`);
  if (schema.maximum !== undefined) words.push(`to ${schema.maximum}`);
  if (schema.minLength) words.push(`at least ${schema.minLength} long`);
  if (schema.maxLength !== undefined) words.push(`at most ${schema.maxLength} long`);
  if (schema.maxItems !== undefined) words.push(`at most ${schema.maxItems}`);
  return words.length ? `, ${words.join(" ")}` : "";
}

// References inside a schema that a reader may want to open.
function referencesIn(schema) {
  const parts = [schema, schema.items, schema.additionalProperties, ...(schema.anyOf ?? [])];
  const nested = parts.filter((part) => part && part !== schema && part.items).map((part) => part.items);
  return [...parts, ...nested].filter((part) => part && part.$ref);
}

export function schemaView(schema, contract) {
  const box = element("div");
  if (schema.$ref) {
    box.append(openable(schema, contract, true));
    return box;
  }
  if (schema.description) box.append(element("p", {}, schema.description));
  const required = new Set(schema.required ?? []);
  const list = element("dl", { class: "fields" });
  for (const [name, field] of Object.entries(schema.properties ?? {})) {
    list.append(element("dt", { class: required.has(name) ? "required" : "" }, name));
    const told = element("dd", {}, element("span", { class: "type" }, typeText(field)));
    if (field.description) told.append(element("div", {}, field.description));
    for (const reference of referencesIn(field)) told.append(openable(reference, contract, false));
    list.append(told);
  }
  if (list.children.length) box.append(list);
  else box.append(element("p", { class: "type" }, typeText(schema)));
  for (const reference of referencesIn(schema)) box.append(openable(reference, contract, false));
  return box;
}

function openable(reference, contract, open) {
  const details = element("details", { class: "schema" }, element("summary", {}, nameOf(reference)));
  const fill = () => {
    if (details.open && details.children.length === 1) details.append(schemaView(resolve(reference, contract), contract));
  };
  details.addEventListener("toggle", fill);
  details.open = open;
  return details;
}

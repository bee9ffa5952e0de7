// Puts what changed into what was known. The rules are those of changes.py.

const isObject = (value) => value !== null && typeof value === "object" && !Array.isArray(value);

/** What is known now; `known` stays as it was, since others may hold it. */
export function changed(known, told) {
  if (!isObject(told) || known === null || typeof known !== "object") return told;
  const now = Array.isArray(known) ? [...known] : { ...known };
  for (const [key, value] of Object.entries(told)) now[key] = changed(known[key], value);
  return now;
}

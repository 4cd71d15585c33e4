// Asking and telling the program on this computer.
async function answer(response) {
  let body = {};
  try { body = await response.json(); } catch { body = { error: response.statusText }; }
  if (!response.ok) throw new Error(body.error ?? response.statusText);
  return body;
}

export async function see(name, asked = {}) {
  const query = new URLSearchParams(Object.entries(asked).filter(([, v]) => v !== "" && v !== null && v !== undefined));
  return answer(await fetch(`/see/${name}?${query}`));
}

export async function tell(name, body = {}) {
  return answer(await fetch(`/do/${name}`, {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  }));
}

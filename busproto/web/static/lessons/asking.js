// Asking the server for a lesson, or for a verdict, with the token of the page.
import { token } from "../base/connection.js";

/**
 * The server's answer. Throws an Error with the reason where there is none.
 * @param {string} path
 * @param {Record<string, string | number>} fields
 * @returns {Promise<any>}
 */
export async function ask(path, fields = {}) {
  const key = token();
  if (!key) throw new Error("This page was opened without its token: open the URL that 'busproto serve' prints.");
  const query = new URLSearchParams(Object.entries(fields).map(([name, value]) => [name, String(value)]));
  const headers = { authorization: `Bearer ${key}` };
  const answer = await fetch(`${path}?${query}`, { headers }).catch(() => null);
  if (!answer) throw new Error("The server does not answer.");
  const told = await answer.json().catch(() => ({ error: `the server says ${answer.status}` }));
  if (!answer.ok) throw new Error(told.error);
  return told;
}

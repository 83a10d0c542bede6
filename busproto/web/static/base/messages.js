// The messages of the server as types, for the checker only: no other file loads this one.

/** @typedef {{ moves: boolean, title: string, needs_plan: boolean }} FlowKind */
/** @typedef {{ functions: Record<string, object>, gangs: Record<string, string[]>, title: string }} Airframe */
/**
 * One row of the table of parameters.
 * @typedef {{ name: string, unit: string, range: string, choices: string[], doc: string, is_table: boolean }} Parameter
 */
/**
 * @typedef {object} Hello
 * @property {string[]} cautions
 * @property {string} disclaimer
 * @property {Record<string, string>} states what each state word means
 * @property {Parameter[]} parameters
 * @property {Airframe | null} airframe
 * @property {boolean} only_looks
 * @property {Record<string, FlowKind>} flows
 */
/** @typedef {{ you: number, operator: number | null, others: number[] }} Role */
/**
 * @typedef {object} Arm
 * @property {boolean} armed
 * @property {string} reason
 * @property {string} limp what was seen when all were let go
 * @property {Record<string, number>} demands fractions, -1..+1, by address
 * @property {Record<string, number>} channels fractions, -1..+1, by channel
 */
/**
 * Slow values of an actuator.
 * @typedef {object} Health
 * @property {string} uid
 * @property {number} asked_count
 * @property {number} missed_count
 * @property {number} [supply_mv]
 * @property {number} [temperature_cdeg]
 * @property {string[]} [faults]
 * @property {boolean} [had_lost]
 */
/**
 * @typedef {object} About
 * @property {number | null} address
 * @property {string} function
 * @property {number} shared_by
 * @property {number} channel
 * @property {string} [model]
 * @property {string} [firmware]
 * @property {[number, number]} [rating_mv]
 * @property {[number, number]} [scale_deg]
 * @property {[number, number]} [travel_deg]
 * @property {number} [neutral_deg]
 * @property {Record<string, { text: string, stored_value: string }>} [settings]
 */
/** @typedef {Health & About} Tile */
/** uid, state word, position in 0.01 deg, current in mA, demand in 0.01 deg. */
/** @typedef {[string, string, number, number, number | null]} MotionRow */
/** @typedef {{ n: number, text: string, choices: string[] }} Question */
/**
 * @typedef {object} MatchResult
 * @property {string} lead
 * @property {{ greatest_deg: number, idle_current_ma: number }} figures_before
 * @property {{ greatest_deg: number, idle_current_ma: number }} figures_after
 * @property {{ function: string, greatest_before_deg: number, greatest_after_deg: number }[]} members
 * @property {Record<"before" | "after", Record<string, [number, number][]>>} curves % of travel, deg; by function
 */
/**
 * @typedef {object} Tried
 * @property {string} function
 * @property {string | null} [loss_action_seen]
 * @property {[number, number] | null} [loss_after_ms]
 * @property {boolean} as_planned
 * @property {string[]} problems
 */
/**
 * @typedef {object} Flow
 * @property {number} id
 * @property {string} flow
 * @property {string} title
 * @property {"running" | "done" | "failed" | "stopped"} state
 * @property {string} problem
 * @property {string[]} lines
 * @property {string[]} orders
 * @property {Question | null} question
 * @property {object | null} result
 */
/**
 * @typedef {object} Port
 * @property {"open" | "closed"} state
 * @property {string} text
 * @property {boolean} virtual
 * @property {string} [url]
 * @property {number} [baud]
 * @property {{ label: string, uid: string, powered: boolean }[]} [actuators] of a virtual bus, as what follows
 * @property {number} [supply_mv]
 * @property {string[]} [surfaces]
 */
/**
 * @typedef {object} Entry
 * @property {number} n
 * @property {"frame" | "overlap" | "bytes" | "round"} kind
 * @property {number} ms
 * @property {string} source
 * @property {string} title
 * @property {number} size_bytes
 * @property {boolean} [reply]
 * @property {string} [to]
 */
/**
 * One piece of a frame.
 * @typedef {{ name: string, text: string, offset_bytes: number | null, size_bytes: number, doc: string }} FrameField
 */
/** @typedef {{ title: string, hex: string, fields: FrameField[] }} ExplainedFrame */
/**
 * @typedef {object} Piece
 * @property {string} source
 * @property {string} hex
 * @property {ExplainedFrame[]} frames
 * @property {number} start_us
 * @property {number} end_us
 * @property {number[]} [edges_us]
 */
/** @typedef {Entry & { pieces: Piece[], line_us?: number[] }} Explained */

/**
 * Messages by kind; the last three are about the connection itself.
 * @typedef {object} Messages
 * @property {Hello} hello
 * @property {Role} role
 * @property {Arm} arm
 * @property {{ tiles: Tile[] }} tiles
 * @property {{ seq: number, ms: number, rows: MotionRow[] }} pos
 * @property {Health} health
 * @property {Flow} flow
 * @property {{ task: string, at: number, of: number | null }} progress
 * @property {Port} port
 * @property {{ load: number, lost_ms: number }} load
 * @property {{ entries: Entry[], left_out: number, overlaps: number }} line
 * @property {Explained} explained
 * @property {{ text: string }} said
 * @property {{ text: string }} refused
 * @property {object} open
 * @property {{ wasOpen: boolean }} lost
 * @property {object} no-token
 */

/** @typedef {{ heads: string[], rows: string[][] }} LessonTable */
/** @typedef {{ name: string, edges: number[] }} LessonWave */
/** @typedef {{ from_ns: number, bits: number, bit_ns: number, ruler: string, waves: LessonWave[] }} LessonScope */
/** @typedef {{ name: string, points: [number, number][] }} LessonCurve */
/** @typedef {{ curves: LessonCurve[], marks: [number, string][], unit_x: string, unit_y: string }} LessonPlot */
/**
 * @typedef {object} LessonCourse
 * @property {number} found
 * @property {number} among
 * @property {number | null} [expected_found] at this step
 * @property {number | null} [expected_queries] in all
 */
/** @typedef {{ prefix: string, came: "broken" | "none" | "one", name?: string | null }} LessonNode */
/**
 * @typedef {object} LessonStep
 * @property {string} text
 * @property {string} note
 * @property {LessonTable} board
 * @property {LessonCourse} course
 * @property {LessonNode | null} [node]
 */
/**
 * @typedef {object} LessonScene
 * @property {string} title
 * @property {string[]} text
 * @property {string[]} [after]
 * @property {LessonScope} [scope]
 * @property {LessonStep[]} [steps]
 * @property {LessonPlot} [plot]
 * @property {LessonTable} [table]
 */
/** @typedef {{ text: string, how: string }} LessonQuestion */
/** @typedef {{ name: string, title: string, seed: number, scenes: LessonScene[], question: LessonQuestion }} Lesson */
/** @typedef {{ right: boolean, given: string, truth: string, reason: string }} LessonVerdict */

export {};

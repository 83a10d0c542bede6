-- Dissector for the actuator bus, link type USER0 (147). Printed by 'busproto spec' from the definitions that the code
-- runs on; do not edit. Use: tshark -X lua_script:busproto.lua -r FILE, or put it into the folder of Lua plugins.

local bus = Proto("busproto", "Actuator bus")
local field = {}
local T = {}

-- @tables@

-- @fields@

field["byte"] = ProtoField.uint8("busproto.byte", "byte", base.DEC)
field["raw"] = ProtoField.bytes("busproto.raw", "raw")
field["payload"] = ProtoField.bytes("busproto.payload", "payload")
field["check"] = ProtoField.bytes("busproto.check", "check")
field["problem"] = ProtoField.string("busproto.problem", "problem")
field["parameter"] = ProtoField.string("busproto.parameter", "parameter")
field["setting"] = ProtoField.string("busproto.setting", "setting")
field["request_in"] = ProtoField.framenum("busproto.request_in", "request_in", base.NONE, frametype.REQUEST)
field["reply_in"] = ProtoField.framenum("busproto.reply_in", "reply_in", base.NONE, frametype.RESPONSE)
field["since_request"] = ProtoField.relative_time("busproto.since_request", "since_request")
field["echo"] = ProtoField.bool("busproto.echo", "echo")

local declared = {}
for _, one in pairs(field) do declared[#declared + 1] = one end
bus.fields = declared

local note = {
  bad = ProtoExpert.new("busproto.note.bad", "no frame", expert.group.CHECKSUM, expert.severity.ERROR),
  run = ProtoExpert.new("busproto.note.run", "bytes in no frame", expert.group.MALFORMED, expert.severity.WARN),
  message = ProtoExpert.new("busproto.note.message", "no known message", expert.group.PROTOCOL, expert.severity.WARN),
  refused = ProtoExpert.new("busproto.note.refused", "refused", expert.group.RESPONSE_CODE, expert.severity.NOTE),
  clash = ProtoExpert.new("busproto.note.clash", "another actuator answered the same request at the same address",
    expert.group.SEQUENCE, expert.severity.WARN),
}
local experts = {}
for _, one in pairs(note) do experts[#experts + 1] = one end
bus.experts = experts

local interface_of = Field.new("frame.interface_name")
local time_of = Field.new("frame.time_epoch")

local bxor, band, rshift
if bit then
  bxor, band, rshift = bit.bxor, bit.band, bit.rshift
elseif bit32 then
  bxor, band, rshift = bit32.bxor, bit32.band, bit32.rshift
else
  local make = load("return function(a, b) return a ~ b end, function(a, b) return a & b end, "
    .. "function(a, n) return a >> n end")
  bxor, band, rshift = make()
end

-- The five check bytes over the bytes first..last of a table.
local function check_of(raw, first, last)
  local crc, zeros = 0xFFFFFF, 0
  for at = first, last do
    local byte = raw[at]
    crc = bxor(rshift(crc, 8), T.crc[band(bxor(crc, byte), 0xFF) + 1])
    for _ = 1, 8 do
      if byte % 2 == 0 then zeros = zeros + 1 end
      byte = math.floor(byte / 2)
    end
  end
  crc = bxor(crc, 0xFFFFFF)
  local value = crc + zeros * 0x1000000
  local check = {}
  for number = 1, T.check_bytes do
    check[number] = value % 0x80 + 0x80
    value = math.floor(value / 0x80)
  end
  return check
end

-- The body in raw[first..last] with its zero bytes put back, nil where the run lengths do not add up.
local function body_of(raw, first, last)
  local body, at = {}, first
  while at <= last do
    local run = raw[at]
    if at > first then body[#body + 1] = 0 end
    if at + run > last + 1 then return nil end
    for place = at + 1, at + run - 1 do body[#body + 1] = raw[place] end
    at = at + run
  end
  if at ~= last + 1 then return nil end
  return body
end

-- Why raw[first..last], which stood between delimiters, is no frame; or nil and its body.
local function unframe(raw, first, last)
  local size = last - first + 1
  if size < T.min_chunk then return "too short" end
  if size > T.max_chunk then return "too long" end
  local check = check_of(raw, first, last - T.check_bytes)
  for number = 1, T.check_bytes do
    if raw[last - T.check_bytes + number] ~= check[number] then return "check" end
  end
  local body = body_of(raw, first, last - T.check_bytes)
  if not body then return "content" end
  local control = body[1]
  local tag_bytes = math.floor(control / 16) % 2 == 1 and T.tag_bytes or 0
  if math.floor(control / 32) ~= T.version or control % 16 ~= 0 or body[2] > T.max_payload
    or (body[3] > T.last_address and body[3] ~= T.broadcast) or body[4] > T.last_address
    or #body ~= T.header_bytes + tag_bytes + body[2] then
    return "content"
  end
  return nil, body
end

local function number_at(body, at, size, signed)
  local value, weight = 0, 1
  for place = at, at + size - 1 do
    value = value + body[place + 1] * weight
    weight = weight * 256
  end
  if signed and value >= weight / 2 then value = value - weight end
  return value
end

local function whole(value) return string.format("%.0f", value) end

local function number_text(f, value)
  if #f.flags > 0 then
    local words = {}
    for _, flag in ipairs(f.flags) do
      if band(value, flag[1]) ~= 0 then words[#words + 1] = flag[2] end
    end
    return whole(value) .. " " .. (#words > 0 and table.concat(words, ", ") or "none")
  end
  if f.words[value] then return whole(value) .. " " .. f.words[value] end
  if value == f.also then return whole(value) .. " none" end
  if f.unit ~= "" then return string.format("%." .. f.digits .. "f ", value * f.times / f.by) .. f.unit end
  return whole(value)
end

local function hex_of(body, at, size)
  local out = {}
  for place = at, at + size - 1 do out[#out + 1] = string.format("%02x", body[place + 1]) end
  return table.concat(out)
end

local function is_good_number(f, value)
  if f.closed and not f.words[value] then return false end
  return (value >= f.low and value <= f.high) or value == f.also
end

-- Whether the payload body[at..] fits the message row.
local function fits(row, body, at)
  local left = #body - at
  if row.outcome then
    if left < 1 or body[at + 1] ~= 0 then return false end
    at, left = at + 1, left - 1
  end
  for _, f in ipairs(row.fields) do
    if f.kind == "list" then
      local count = math.floor(left / f.size)
      if left % f.size ~= 0 or count < f.least or count > f.most then return false end
      for place = 0, count - 1 do
        if not is_good_number(f, number_at(body, at + place * f.size, f.size, f.signed)) then return false end
      end
      at, left = at + left, 0
    elseif f.kind == "rest" then
      if left < f.least or left > f.most then return false end
      at, left = at + left, 0
    else
      if left < f.size then return false end
      if f.kind == "number" and not is_good_number(f, number_at(body, at, f.size, f.signed)) then return false end
      if f.kind == "text" then
        local is_over = false
        for place = f.size - 1, 0, -1 do
          local byte = body[at + place + 1]
          if byte ~= 0 then is_over = true end
          if is_over and (byte < 0x20 or byte > 0x7E) then return false end
        end
      end
      at, left = at + f.size, left - f.size
    end
  end
  return left == 0
end

-- A raw value of a parameter as a person reads it, nil where the bytes are not whole values.
local function setting_text(p, body, at, size)
  local count = math.floor(size / p.size)
  if size % p.size ~= 0 or (p.points == 0 and count ~= 1) then return nil end
  local words = {}
  for place = 0, count - 1 do
    local value = number_at(body, at + place * p.size, p.size, p.signed)
    if p.points == 0 and p.choices[value] then return p.choices[value] end
    words[#words + 1] = string.format("%." .. p.digits .. "f", value / p.per_unit)
  end
  if #words == 0 then return "none" end
  return table.concat(words, ", ") .. (p.unit ~= "" and " " .. p.unit or "")
end

-- Requests and their times, by packet number and by sequence and operation.
local seen, asked, request_of, reply_of, clashes = {}, {}, {}, {}, {}
local latest, first_tag = {}, {}

function bus.init()
  seen, asked, request_of, reply_of, clashes = {}, {}, {}, {}, {}
  latest, first_tag = {}, {}
end

local function link(number, body, is_echo, time)
  if seen[number] then return end
  seen[number] = true
  local is_reply = math.floor(body[1] / 16) % 2 == 1
  local key = body[5] * 256 + body[6]
  if is_reply or is_echo then
    request_of[number] = latest[key]
    if is_reply and latest[key] then
      local request = asked[latest[key]]
      reply_of[latest[key]] = reply_of[latest[key]] or number
      local tag = number_at(body, T.header_bytes, T.tag_bytes, false)
      if request.body[3] ~= T.broadcast then
        local known = first_tag[latest[key]]
        if known and known ~= tag then clashes[number] = true end
        first_tag[latest[key]] = known or tag
      end
    end
  else
    latest[key] = number
    asked[number] = {body = body, time = time}
  end
end

local function add(tree, name, range, value, text)
  local item = range and tree:add(field[name], range, value) or tree:add(field[name], value):set_generated()
  item:set_text(name .. ": " .. text)
  return item
end

local function add_meaning(tree, f, tvb, body, at, size, parameter, request)
  if f.role == "parameters" then
    for place = at, at + size - 1 do
      local p = T.parameters[body[place + 1]]
      local name = p and p.name or "unknown"
      add(tree, "parameter", tvb(place, 1), name, name)
    end
  elseif f.role == "setting" and parameter then
    local text = setting_text(parameter, body, at, size)
    if text then
      text = parameter.name .. ": " .. text
      if size > 0 then add(tree, "setting", tvb(at, size), text, text) else add(tree, "setting", nil, text, text) end
    end
  elseif f.role == "settings" and request and request.body[6] == T.read then
    local place, last = at, at + size
    for number = T.header_bytes + 2, #request.body do
      local p = T.parameters[request.body[number]]
      if not p then return end
      local one = p.points > 0 and last - place or p.size
      if place + one > last then return end
      local text = setting_text(p, body, place, one)
      if not text then return end
      text = p.name .. ": " .. text
      if one > 0 then add(tree, "setting", tvb(place, one), text, text) else add(tree, "setting", nil, text, text) end
      place = place + one
    end
  end
end

local function add_payload(tree, row, tvb, body, at, request)
  if row.outcome then
    add(tree, "outcome", tvb(at, 1), 0, "0 " .. T.outcomes[0])
    at = at + 1
  end
  local parameter
  for _, f in ipairs(row.fields) do
    local name = row.key .. "." .. f.name
    local size = (f.kind == "rest" or f.kind == "list") and #body - at or f.size
    if f.kind == "number" then
      local value = number_at(body, at, size, f.signed)
      add(tree, name, tvb(at, size), value, number_text(f, value))
      for _, flag in ipairs(f.flags) do
        local set = band(value, flag[1]) ~= 0 and 1 or 0
        add(tree, name .. "." .. flag[3], tvb(at, size), set, whole(set))
      end
      if f.role == "parameter" then parameter = T.parameters[value] end
    elseif f.kind == "list" then
      for place = at, at + size - 1, f.size do
        local value = number_at(body, place, f.size, f.signed)
        add(tree, name, tvb(place, f.size), value, number_text(f, value))
      end
    elseif f.kind == "text" then
      local letters = {}
      for place = at, at + size - 1 do
        if body[place + 1] == 0 then break end
        letters[#letters + 1] = string.char(body[place + 1])
      end
      local text = table.concat(letters)
      add(tree, name, tvb(at, size), text, text)
    else
      local hex = hex_of(body, at, size)
      if size > 0 then
        tree:add(field[name], tvb(at, size)):set_text(name .. ": " .. hex)
      else
        tree:add(field[name], ByteArray.new(""):tvb("empty")()):set_text(name .. ": ")
      end
    end
    add_meaning(tree, f, tvb, body, at, size, parameter, request)
    at = at + size
  end
end

local function name_of(address)
  if address == 0 then return "host" end
  if address == T.broadcast then return "all" end
  if address == T.last_address then return "no address" end
  return tostring(address)
end

local function no_frame(tree, buffer, pinfo, raw, word)
  pinfo.cols.info = #raw == 1 and word == nil and string.format("byte %02x", raw[1]) or word or "run"
  if word == nil and #raw == 1 and raw[1] ~= 0 then
    add(tree, "byte", buffer(0, 1), raw[1], string.format("%d %02x", raw[1], raw[1]))
    return
  end
  tree:add(field["raw"], buffer()):set_text("raw: " .. hex_of(raw, 0, #raw))
  local item = tree:add(field["problem"], buffer(), word or "run")
  item:set_text("problem: " .. (word or "run"))
  item:add_proto_expert_info(word and note.bad or note.run)
end

function bus.dissector(buffer, pinfo, tree)
  pinfo.cols.protocol = "busproto"
  local raw = {}
  local bytes = buffer:bytes()
  for at = 0, bytes:len() - 1 do raw[at + 1] = bytes:get_index(at) end
  local sub = tree:add(bus, buffer())
  local first = raw[1] == 0 and 2 or 1
  local last = #raw - 1
  local is_piece = last >= first and raw[#raw] == 0
  for at = first, last do if raw[at] == 0 then is_piece = false end end
  if not is_piece then return no_frame(sub, buffer, pinfo, raw, nil) end
  local why, body = unframe(raw, first, last)
  if why then return no_frame(sub, buffer, pinfo, raw, first == 2 and why or nil) end

  local interface = interface_of()
  local is_echo = interface ~= nil and tostring(interface.value) == "echo"
  local time = time_of().value
  link(pinfo.number, body, is_echo, time)

  local text = {}
  for at, byte in ipairs(body) do text[at] = string.format("%02x", byte) end
  local tvb = ByteArray.new(table.concat(text)):tvb("Body, zero bytes put back")
  local is_reply = math.floor(body[1] / 16) % 2 == 1
  local at = T.header_bytes + (is_reply and T.tag_bytes or 0)
  for _, h in ipairs(T.header) do
    if h.at < at then
      local value = math.floor(number_at(body, h.at, h.size, false) / 2 ^ h.shift) % 2 ^ h.bits
      local shown = h.hex and string.format("%0" .. 2 * h.size .. "x", value) or whole(value)
      if h.words[value] then shown = shown .. " " .. h.words[value] end
      if h.name == "operation" and not h.words[value] then shown = shown .. " unknown" end
      add(sub, h.name, tvb(h.at, h.size), value, shown)
    end
  end

  local operation = body[6]
  local row = is_reply and T.replies[operation] or not is_reply and T.requests[operation] or nil
  local is_refusal = is_reply and #body > at and body[at + 1] ~= 0 and not T.bare[operation]
  if is_refusal then row = T.refusal end
  local request = request_of[pinfo.number] and asked[request_of[pinfo.number]]
  local title = row and row.title or string.format("operation %02X", operation)
  if row and fits(row, body, at) then
    add_payload(sub, row, tvb, body, at, is_reply and request or nil)
  else
    if #body > at then sub:add(field["payload"], tvb(at)):set_text("payload: " .. hex_of(body, at, #body - at)) end
    local item = sub:add(field["problem"], "message")
    item:set_text("problem: message")
    item:add_proto_expert_info(note.message)
  end
  local check_at = #raw - 1 - T.check_bytes
  sub:add(field["check"], buffer(check_at, T.check_bytes)):set_text("check: " .. hex_of(raw, check_at, T.check_bytes))
  if request then
    add(sub, "request_in", nil, request_of[pinfo.number], "packet " .. request_of[pinfo.number])
    local since = time - request.time
    sub:add(field["since_request"], since):set_generated()
  end
  if reply_of[pinfo.number] then
    sub:add(field["reply_in"], reply_of[pinfo.number]):set_generated()
  end
  if is_echo then sub:add(field["echo"], true):set_generated() end
  if is_refusal then sub:add_proto_expert_info(note.refused) end
  if clashes[pinfo.number] then sub:add_proto_expert_info(note.clash) end
  pinfo.cols.src = name_of(body[4])
  pinfo.cols.dst = name_of(body[3])
  pinfo.cols.info = title .. (is_echo and " (echo)" or "")
end

DissectorTable.get("wtap_encap"):add(wtap.USER0, bus)

#include "offline/live/verdict.h"
#include "offline/check/console.h"
#include "offline/check/words.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <chrono>
#include <fmt/format.h>
#include <sys/resource.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

void judge_whole(const CheckResult& result, TakeVerdict& out) {
    const auto name = out.take.filename().string();
    write_whole_file(out.take / "check.txt", check_text(result, Telling::details));
    const auto all = verdicts(result);
    const auto is_fix = [](const auto& v) { return v.weight == Weight::fix; };
    const auto first = std::find_if(all.begin(), all.end(), is_fix);
    out.line = first == all.end() ? name + ": nothing to fix"
                                  : fmt::format("{}: {} to fix, see {}; first: {}", name,
                                                std::count_if(all.begin(), all.end(), is_fix),
                                                (out.take / "check.txt").string(), first->text);
}

} // namespace

TakeVerdict TakeChecks::judge(const Asked& asked) {
    (void)::setpriority(PRIO_PROCESS, static_cast<id_t>(::gettid()),
                        19); // of this thread and those it starts
    TakeVerdict out{asked.take, !asked.seconds, {}, {}};
    try {
        auto session = load_session(asked.take);
        if (asked.seconds) session.range.to_s = *asked.seconds;
        auto result = check(session);
        if (out.whole) judge_whole(result, out);
        out.result = std::move(result);
    } catch (const std::exception& error) { // whatever it is, the take goes on
        out.line = fmt::format("{}: can't be checked: {}", asked.take.filename().string(), line_for(error));
    }
    return out;
}

std::optional<TakeVerdict> TakeChecks::next(bool patient) {
    using namespace std::chrono_literals;
    if (!running_.valid() && waiting_.empty()) return std::nullopt;
    if (!running_.valid()) {
        running_ = std::async(std::launch::async, judge, waiting_.front());
        waiting_.pop_front();
    }
    if (!patient && running_.wait_for(0s) != std::future_status::ready) return std::nullopt;
    return running_.get();
}

} // namespace kitfold::offline

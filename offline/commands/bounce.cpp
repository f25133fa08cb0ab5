#include "offline/bounce/bounce.h"
#include "offline/bounce/recall_sheet.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit bounce_command(const BounceOptions& options) {
    BounceRequest request{
        .session = load_session(options.session), .output = options.output, .stems = {}, .rate_hz = {}};
    if (!options.stems.empty()) request.stems = options.stems;
    if (options.rate_hz != 0) request.rate_hz = options.rate_hz;
    BounceFigures figures;
    {
        Progress progress("bounce");
        figures = bounce(request, [&](double share) { progress.show(share); });
    }
    if (options.json)
        print_json(bounce_json(request, figures));
    else
        print(bounce_text(request, figures));
    return Exit::done;
}

} // namespace kitfold::offline
